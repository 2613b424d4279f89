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

-- Revocation: which list answered what an authority elsewhere was asked, and who signed a list for its issuer.
CREATE TABLE revocation_answer (
  request INTEGER NOT NULL PRIMARY KEY REFERENCES revocation_request (number),
  list_number BLOB NOT NULL CHECK (length(list_number) = 20),
  answered INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE revocation_list_signer (
  issuer TEXT NOT NULL,
  number BLOB NOT NULL,
  certificate BLOB NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (issuer, number),
  FOREIGN KEY (issuer, number) REFERENCES revocation_list (issuer, number)
) STRICT;

-- Finding a unit by what is read from it: a serial number in any letter case, or a scanned code.
CREATE INDEX unit_by_upper ON unit (upper(serial));
CREATE INDEX unit_by_discriminator ON unit (discriminator, serial) WHERE passcode IS NOT NULL;

-- The series of serial numbers that a product's new units get: the last row counts, and one without a series ends it.
CREATE TABLE product_series (
  product TEXT NOT NULL REFERENCES product (name),
  number INTEGER NOT NULL CHECK (number >= 1),
  first TEXT CHECK (length(first) BETWEEN 1 AND 64),
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (product, number)
) ROWLESS;

-- Lists that can't show that a certificate is good (a delta, some reasons, some certificates alone): what they revoke is
-- revoked until a complete list of the same issuer is newer.
CREATE TABLE revocation_partial (
  issuer TEXT NOT NULL REFERENCES authority (name),
  digest BLOB NOT NULL CHECK (length(digest) = 32),
  this_update INTEGER NOT NULL,
  content BLOB NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (issuer, digest)
) STRICT;

-- A book that was put back from a backup: how many entries the backup has, and when its last one was made.
-- No entry vouches for it: it is written with the copy, before the log goes on.
CREATE TABLE restored (
  entries INTEGER NOT NULL PRIMARY KEY CHECK (entries >= 0),
  ended INTEGER NOT NULL
) ROWLESS;

-- Series of serial numbers of which somebody said, after a restore, where they go on. No digits: that number alone.
CREATE TABLE series_confirmed (
  prefix TEXT NOT NULL,
  digits INTEGER NOT NULL CHECK (digits BETWEEN 0 AND 18),
  entry INTEGER NOT NULL,
  PRIMARY KEY (prefix, digits, entry)
) ROWLESS;
