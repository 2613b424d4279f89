-- The record book: revocations, trust sets, and what is erased in time.

CREATE TABLE revocation_request (
  number INTEGER NOT NULL PRIMARY KEY CHECK (number >= 1),
  issuer TEXT NOT NULL,
  purpose TEXT NOT NULL,
  reason INTEGER NOT NULL CHECK (reason IN (0, 1, 2, 3, 4, 5, 9)),
  note TEXT,
  certificates INTEGER NOT NULL CHECK (certificates >= 1),
  requested INTEGER NOT NULL,
  requested_by TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('waiting', 'confirmed', 'withdrawn')),
  settled INTEGER,
  settled_by TEXT,
  entry INTEGER NOT NULL,
  FOREIGN KEY (issuer, purpose) REFERENCES authority (name, purpose),
  CHECK ((state = 'waiting') = (settled IS NULL)),
  CHECK ((settled IS NULL) = (settled_by IS NULL)),
  CHECK (state <> 'confirmed' OR purpose = 'test' OR settled_by <> requested_by)
) STRICT;
CREATE INDEX revocation_request_by_state ON revocation_request (state, number);

CREATE TABLE revocation_wanted (
  request INTEGER NOT NULL REFERENCES revocation_request (number),
  number INTEGER NOT NULL CHECK (number >= 1),
  kind TEXT NOT NULL CHECK (kind IN ('dac', 'pai')),
  serial BLOB NOT NULL CHECK (length(serial) BETWEEN 1 AND 64),
  PRIMARY KEY (request, number)
) ROWLESS;

CREATE TABLE revocation (
  issuer TEXT NOT NULL REFERENCES authority (name),
  serial BLOB NOT NULL CHECK (length(serial) BETWEEN 1 AND 64),
  kind TEXT NOT NULL CHECK (kind IN ('dac', 'pai')),
  reason INTEGER NOT NULL CHECK (reason IN (0, 1, 2, 3, 4, 5, 9)),
  revoked INTEGER NOT NULL,
  request INTEGER NOT NULL REFERENCES revocation_request (number),
  entry INTEGER NOT NULL,
  PRIMARY KEY (issuer, serial)
) ROWLESS;

CREATE TABLE revocation_list (
  issuer TEXT NOT NULL REFERENCES authority (name),
  number BLOB NOT NULL CHECK (length(number) = 20),
  origin TEXT NOT NULL CHECK (origin IN ('issued', 'adopted')),
  this_update INTEGER NOT NULL,
  next_update INTEGER,
  certificates INTEGER NOT NULL CHECK (certificates >= 0),
  content BLOB NOT NULL,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (issuer, number)
) STRICT;

CREATE TABLE trust_set (
  name TEXT NOT NULL,
  number INTEGER NOT NULL CHECK (number >= 1),
  removed INTEGER NOT NULL CHECK (removed IN (0, 1)),
  content TEXT NOT NULL,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (name, number)
) ROWLESS;

CREATE TABLE product_trust (
  product TEXT NOT NULL REFERENCES product (name),
  number INTEGER NOT NULL CHECK (number >= 1),
  trust_sets TEXT NOT NULL,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (product, number)
) ROWLESS;

-- Units whose passcode is still kept: what retention goes through.
CREATE INDEX unit_with_passcode ON unit (serial) WHERE passcode IS NOT NULL;

-- Credentials that no unit has yet: the stock, and when the first of it ends.
CREATE INDEX credential_available ON credential (delivery, not_after) WHERE state = 'available';
