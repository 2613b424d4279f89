-- Version 6: slips that have a way back, and what a product decides for its units.

-- Rows that were taken back while nothing depended on them, by table and key, each with the
-- entry that tells of it. A reel stands for its chips, a delivery for its certificates.
CREATE TABLE withdrawn (
  row_key TEXT NOT NULL,
  row_table TEXT NOT NULL,
  entry INTEGER NOT NULL CHECK (entry >= 0),
  PRIMARY KEY (row_key, row_table, entry)
) ROWLESS;

-- The series of serial numbers that a product's new units get: the last row counts, and one without a series ends it.
CREATE TABLE product_series (
  product TEXT NOT NULL REFERENCES product (name),
  number INTEGER NOT NULL CHECK (number >= 1),
  first TEXT CHECK (length(first) BETWEEN 1 AND 64),
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (product, number)
) ROWLESS;
