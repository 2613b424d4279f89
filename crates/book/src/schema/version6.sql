-- Version 6: slips that have a way back, and what a product decides for its units.

-- Rows that were taken back while nothing depended on them, by table and key, each with the
-- entry that tells of it. A reel stands for its chips, a delivery for its certificates.
CREATE TABLE withdrawn (
  row_key TEXT NOT NULL,
  row_table TEXT NOT NULL,
  entry INTEGER NOT NULL CHECK (entry >= 0),
  PRIMARY KEY (row_key, row_table, entry)
) ROWLESS;

-- Which chips of its reel an order asks for, as intervals of places: `1-397,400`. Older orders have no row.
CREATE TABLE order_places (
  reel TEXT NOT NULL,
  number INTEGER NOT NULL,
  places TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (reel, number),
  FOREIGN KEY (reel, number) REFERENCES order_written (reel, number)
) ROWLESS;
