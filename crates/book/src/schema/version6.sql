-- Version 6: slips that have a way back, and what a product decides for its units.

-- Rows that were taken back while nothing depended on them, by table and key, each with the
-- entry that tells of it. A reel stands for its chips, a delivery for its certificates.
CREATE TABLE withdrawn (
  row_key TEXT NOT NULL,
  row_table TEXT NOT NULL,
  entry INTEGER NOT NULL CHECK (entry >= 0),
  PRIMARY KEY (row_key, row_table, entry)
) ROWLESS;
