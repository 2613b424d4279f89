-- The record book, version 1. Written in the words that both engines share:
-- TEXT, BLOB, INTEGER, STRICT and ROWLESS are replaced for each engine (schema/mod.rs).
-- Times are microseconds since 1970-01-01 UTC. `entry` is the sequence number of
-- the last log entry that tells of the row. docs/book.md explains every table.

CREATE TABLE site (
  one INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
  site_id TEXT NOT NULL,
  name TEXT NOT NULL,
  created INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE product (
  name TEXT NOT NULL PRIMARY KEY,
  purpose TEXT NOT NULL CHECK (purpose IN ('test', 'production')),
  vendor_id INTEGER NOT NULL CHECK (vendor_id BETWEEN 1 AND 65535),
  product_id INTEGER NOT NULL CHECK (product_id BETWEEN 1 AND 65535),
  device_type INTEGER NOT NULL CHECK (device_type BETWEEN 0 AND 4294967295),
  reach TEXT NOT NULL,
  flow TEXT NOT NULL,
  settings TEXT NOT NULL,
  objects TEXT NOT NULL,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  UNIQUE (name, purpose)
) STRICT;

CREATE TABLE authority (
  name TEXT NOT NULL PRIMARY KEY,
  role TEXT NOT NULL CHECK (role IN ('paa', 'pai')),
  origin TEXT NOT NULL CHECK (origin IN ('raised', 'adopted', 'delivered')),
  purpose TEXT NOT NULL CHECK (purpose IN ('test', 'production')),
  certificate BLOB NOT NULL UNIQUE,
  subject_key_id BLOB NOT NULL,
  issuer TEXT REFERENCES authority (name) DEFERRABLE INITIALLY IMMEDIATE,
  key_reference TEXT,
  trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
  not_after INTEGER,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  UNIQUE (name, purpose),
  CHECK (trusted = 0 OR role = 'paa')
) STRICT;
CREATE INDEX authority_by_key_id ON authority (subject_key_id);

CREATE TABLE declaration (
  name TEXT NOT NULL PRIMARY KEY,
  origin TEXT NOT NULL CHECK (origin IN ('made', 'adopted')),
  purpose TEXT NOT NULL CHECK (purpose IN ('test', 'production')),
  content BLOB NOT NULL UNIQUE,
  vendor_id INTEGER NOT NULL CHECK (vendor_id BETWEEN 1 AND 65535),
  product_ids TEXT NOT NULL,
  certification_type INTEGER NOT NULL CHECK (certification_type BETWEEN 0 AND 255),
  signer BLOB,
  added INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE reel (
  reel_id TEXT NOT NULL PRIMARY KEY,
  product TEXT NOT NULL,
  purpose TEXT NOT NULL,
  source_name TEXT NOT NULL,
  source_digest BLOB NOT NULL CHECK (length(source_digest) = 32),
  chips INTEGER NOT NULL CHECK (chips >= 0),
  received INTEGER NOT NULL,
  entry INTEGER NOT NULL CHECK (entry >= -1),
  UNIQUE (reel_id, purpose),
  FOREIGN KEY (product, purpose) REFERENCES product (name, purpose)
) STRICT;

CREATE TABLE chip (
  reel TEXT NOT NULL REFERENCES reel (reel_id),
  position INTEGER NOT NULL CHECK (position >= 1),
  chip_id TEXT NOT NULL UNIQUE,
  public_key BLOB NOT NULL UNIQUE CHECK (length(public_key) = 65),
  state TEXT NOT NULL DEFAULT 'blank' CHECK (state IN ('blank', 'held', 'provisioned', 'scrapped')),
  reason TEXT,
  entry INTEGER,
  PRIMARY KEY (reel, position),
  CHECK (state = 'blank' OR entry IS NOT NULL),
  CHECK ((state = 'scrapped') = (reason IS NOT NULL))
) ROWLESS;

CREATE TABLE delivery (
  delivery_id TEXT NOT NULL PRIMARY KEY,
  reel TEXT NOT NULL,
  purpose TEXT NOT NULL,
  origin TEXT NOT NULL CHECK (origin IN ('received', 'issued')),
  source_name TEXT NOT NULL,
  content_digest BLOB NOT NULL CHECK (length(content_digest) = 32),
  verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'accepted-in-part')),
  certificates_read INTEGER NOT NULL CHECK (certificates_read >= 0),
  certificates_accepted INTEGER NOT NULL CHECK (certificates_accepted >= 0),
  report TEXT NOT NULL,
  received INTEGER NOT NULL,
  entry INTEGER NOT NULL CHECK (entry >= -1),
  UNIQUE (reel, content_digest),
  UNIQUE (delivery_id, purpose),
  FOREIGN KEY (reel, purpose) REFERENCES reel (reel_id, purpose)
) STRICT;

CREATE TABLE delivery_authority (
  delivery TEXT NOT NULL,
  authority TEXT NOT NULL,
  purpose TEXT NOT NULL,
  PRIMARY KEY (delivery, authority),
  FOREIGN KEY (delivery, purpose) REFERENCES delivery (delivery_id, purpose),
  FOREIGN KEY (authority, purpose) REFERENCES authority (name, purpose)
) ROWLESS;

CREATE TABLE credential (
  public_key BLOB NOT NULL UNIQUE REFERENCES chip (public_key),
  delivery TEXT NOT NULL,
  position INTEGER NOT NULL CHECK (position >= 1),
  authority TEXT NOT NULL,
  issuer_key_id BLOB NOT NULL CHECK (length(issuer_key_id) BETWEEN 1 AND 64),
  serial BLOB NOT NULL CHECK (length(serial) BETWEEN 1 AND 64),
  not_after INTEGER,
  certificate BLOB NOT NULL,
  state TEXT NOT NULL DEFAULT 'available'
    CHECK (state IN ('available', 'reserved', 'installed', 'spent', 'revoked')),
  reason TEXT,
  entry INTEGER,
  UNIQUE (serial, issuer_key_id),
  UNIQUE (delivery, position),
  FOREIGN KEY (delivery, authority) REFERENCES delivery_authority (delivery, authority),
  CHECK (state = 'available' OR entry IS NOT NULL)
) STRICT;

CREATE TABLE unit (
  serial TEXT NOT NULL PRIMARY KEY,
  product TEXT NOT NULL REFERENCES product (name),
  reel TEXT NOT NULL REFERENCES reel (reel_id),
  chip_id TEXT NOT NULL UNIQUE REFERENCES chip (chip_id),
  state TEXT NOT NULL CHECK (state IN ('open', 'passed', 'failed', 'scrapped', 'returned')),
  reason TEXT,
  began INTEGER NOT NULL,
  changed INTEGER NOT NULL,
  attempts INTEGER NOT NULL CHECK (attempts >= 1),
  proven TEXT{proven} CHECK (proven = serial),
  discriminator INTEGER CHECK (discriminator BETWEEN 0 AND 4095),
  salt BLOB CHECK (length(salt) BETWEEN 16 AND 32),
  iterations INTEGER CHECK (iterations BETWEEN 1000 AND 100000),
  verifier BLOB CHECK (length(verifier) = 97),
  passcode BLOB,
  entry INTEGER NOT NULL,
  CHECK (state NOT IN ('passed', 'returned') OR proven IS NOT NULL),
  CHECK ((state IN ('scrapped', 'returned')) = (reason IS NOT NULL)),
  CHECK ((discriminator IS NULL) = (salt IS NULL)),
  CHECK ((discriminator IS NULL) = (iterations IS NULL)),
  CHECK ((discriminator IS NULL) = (verifier IS NULL)),
  CHECK (discriminator IS NOT NULL OR passcode IS NULL)
) STRICT;
CREATE INDEX unit_by_reel ON unit (reel, serial);
CREATE INDEX unit_by_state ON unit (state, serial);
CREATE INDEX unit_by_product ON unit (product, serial);

CREATE TABLE attempt (
  unit TEXT NOT NULL REFERENCES unit (serial),
  number INTEGER NOT NULL CHECK (number >= 1),
  station TEXT NOT NULL,
  actor TEXT NOT NULL,
  declaration TEXT REFERENCES declaration (name),
  started INTEGER NOT NULL,
  ended INTEGER,
  result TEXT NOT NULL CHECK (result IN ('open', 'passed', 'failed', 'interrupted')),
  cause TEXT,
  detail TEXT,
  next TEXT CHECK (next IN ('retry', 'rework', 'scrap')),
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, number),
  CHECK ((result = 'open') = (ended IS NULL)),
  CHECK ((result = 'failed') = (next IS NOT NULL)),
  CHECK (result <> 'failed' OR cause IS NOT NULL)
) ROWLESS;
CREATE UNIQUE INDEX attempt_one_open ON attempt (unit) WHERE ended IS NULL;
CREATE INDEX attempt_by_end ON attempt (ended, station);
CREATE INDEX attempt_by_station ON attempt (station, unit);

CREATE TABLE step (
  unit TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  number INTEGER NOT NULL CHECK (number >= 1),
  name TEXT NOT NULL,
  started INTEGER NOT NULL CHECK (started >= 0),
  duration INTEGER NOT NULL CHECK (duration >= 0),
  result TEXT NOT NULL,
  detail TEXT,
  PRIMARY KEY (unit, attempt, number),
  FOREIGN KEY (unit, attempt) REFERENCES attempt (unit, number)
) ROWLESS;

CREATE TABLE octets (
  digest BLOB NOT NULL PRIMARY KEY CHECK (length(digest) = 32),
  content BLOB NOT NULL
) STRICT;

CREATE TABLE proof (
  unit TEXT NOT NULL PRIMARY KEY,
  attempt INTEGER NOT NULL,
  public_key BLOB NOT NULL UNIQUE REFERENCES credential (public_key),
  nonce BLOB NOT NULL UNIQUE CHECK (length(nonce) = 32),
  challenge BLOB NOT NULL CHECK (length(challenge) BETWEEN 16 AND 64),
  elements BLOB NOT NULL,
  signature BLOB NOT NULL,
  dac BLOB NOT NULL CHECK (length(dac) = 32),
  pai BLOB NOT NULL REFERENCES octets (digest),
  declaration BLOB REFERENCES octets (digest),
  objects TEXT NOT NULL,
  verdict TEXT NOT NULL CHECK (verdict = 'accepted'),
  report TEXT NOT NULL,
  proven INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  FOREIGN KEY (unit, attempt) REFERENCES attempt (unit, number) DEFERRABLE INITIALLY IMMEDIATE
) STRICT;

CREATE TABLE label (
  unit TEXT NOT NULL REFERENCES unit (serial),
  number INTEGER NOT NULL CHECK (number >= 1),
  event TEXT NOT NULL CHECK (event IN ('printed', 'checked', 'mismatched')),
  at INTEGER NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, number)
) ROWLESS;

CREATE TABLE order_written (
  reel TEXT NOT NULL REFERENCES reel (reel_id),
  number INTEGER NOT NULL CHECK (number >= 1),
  file_name TEXT NOT NULL,
  content_digest BLOB NOT NULL CHECK (length(content_digest) = 32),
  chips INTEGER NOT NULL CHECK (chips >= 0),
  written INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (reel, number)
) ROWLESS;

CREATE TABLE serial_series (
  prefix TEXT NOT NULL,
  digits INTEGER NOT NULL CHECK (digits BETWEEN 1 AND 18),
  following INTEGER NOT NULL CHECK (following >= 0),
  PRIMARY KEY (prefix, digits)
) ROWLESS;

CREATE TABLE entry (
  sequence INTEGER NOT NULL PRIMARY KEY CHECK (sequence >= 0),
  at INTEGER NOT NULL,
  act TEXT NOT NULL,
  actor TEXT NOT NULL,
  station TEXT,
  subject_kind TEXT NOT NULL,
  subject TEXT NOT NULL,
  leaf TEXT NOT NULL,
  hash BLOB NOT NULL CHECK (length(hash) = 32),
  fingerprints BLOB
) STRICT;
CREATE INDEX entry_by_subject ON entry (subject_kind, subject, sequence);

CREATE TABLE log_node (
  level INTEGER NOT NULL CHECK (level BETWEEN 1 AND 62),
  number INTEGER NOT NULL CHECK (number >= 0),
  hash BLOB NOT NULL CHECK (length(hash) = 32),
  PRIMARY KEY (level, number)
) ROWLESS;

CREATE TABLE log_head (
  one INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
  size INTEGER NOT NULL CHECK (size >= 0),
  peaks BLOB NOT NULL
) STRICT;

CREATE TABLE signed_head (
  size INTEGER NOT NULL CHECK (size >= 1),
  number INTEGER NOT NULL CHECK (number >= 1),
  root BLOB NOT NULL CHECK (length(root) = 32),
  at INTEGER NOT NULL,
  key_id TEXT NOT NULL,
  statement TEXT NOT NULL,
  signature BLOB NOT NULL,
  PRIMARY KEY (size, number)
) ROWLESS;
