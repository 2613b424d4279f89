-- Version 11: sites elsewhere that ask for certificates here.

-- Who may ask which issuer for which product, and for how many keys. A higher quota is `wanted` by one person until another
-- one allows it. `password` is a hash. `path` is the label under which it is asked for.
CREATE TABLE enrolment (
  path TEXT NOT NULL PRIMARY KEY CHECK (length(path) BETWEEN 1 AND 64),
  product TEXT NOT NULL REFERENCES product (name),
  issuer TEXT NOT NULL,
  purpose TEXT NOT NULL CHECK (purpose IN ('test', 'production')),
  user_name TEXT NOT NULL,
  password TEXT NOT NULL,
  quota INTEGER NOT NULL CHECK (quota >= 1),
  quota_by TEXT NOT NULL,
  wanted INTEGER CHECK (wanted > quota),
  wanted_by TEXT,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  UNIQUE (user_name, product, issuer),
  FOREIGN KEY (issuer, purpose) REFERENCES authority (name, purpose),
  CHECK ((wanted IS NULL) = (wanted_by IS NULL))
) STRICT;

-- Certificates that were issued to them: their chips are elsewhere. A key has one, and each counts against the quota.
CREATE TABLE enrolled (
  public_key BLOB NOT NULL PRIMARY KEY CHECK (length(public_key) = 65),
  path TEXT NOT NULL REFERENCES enrolment (path),
  number INTEGER NOT NULL CHECK (number >= 1),
  authority TEXT NOT NULL REFERENCES authority (name),
  issuer_key_id BLOB NOT NULL,
  serial BLOB NOT NULL CHECK (length(serial) BETWEEN 1 AND 64),
  not_after INTEGER,
  certificate BLOB NOT NULL,
  request BLOB NOT NULL CHECK (length(request) = 32),
  issued INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  UNIQUE (path, number),
  UNIQUE (serial, issuer_key_id)
) STRICT;
