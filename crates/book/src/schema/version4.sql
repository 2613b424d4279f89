-- Version 4: who may use the pages and the API, and how stations are set up.
-- Sessions and idempotency keys are working notes that expire: no entry vouches for them.

CREATE TABLE account (
  name TEXT NOT NULL PRIMARY KEY,
  role TEXT NOT NULL CHECK (role IN ('operator', 'engineer', 'auditor')),
  password TEXT,
  badge BLOB UNIQUE CHECK (length(badge) = 32),
  closed INTEGER NOT NULL CHECK (closed IN (0, 1)),
  added INTEGER NOT NULL,
  changed INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  CHECK (badge IS NULL OR role = 'operator'),
  CHECK (closed = 1 OR password IS NOT NULL OR badge IS NOT NULL)
) STRICT;

CREATE TABLE session (
  token BLOB NOT NULL PRIMARY KEY CHECK (length(token) = 32),
  account TEXT NOT NULL REFERENCES account (name),
  means TEXT NOT NULL CHECK (means IN ('password', 'badge', 'link')),
  began INTEGER NOT NULL,
  expires INTEGER NOT NULL
) STRICT;
CREATE INDEX session_by_account ON session (account);
CREATE INDEX session_by_end ON session (expires);

CREATE TABLE api_token (
  name TEXT NOT NULL PRIMARY KEY,
  token BLOB NOT NULL UNIQUE CHECK (length(token) = 32),
  role TEXT NOT NULL CHECK (role IN ('operator', 'engineer', 'auditor')),
  given_by TEXT NOT NULL REFERENCES account (name),
  added INTEGER NOT NULL,
  expires INTEGER NOT NULL,
  revoked INTEGER NOT NULL CHECK (revoked IN (0, 1)),
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE idempotency (
  holder TEXT NOT NULL,
  wish TEXT NOT NULL,
  request BLOB NOT NULL CHECK (length(request) = 32),
  status INTEGER,
  answer TEXT,
  at INTEGER NOT NULL,
  PRIMARY KEY (holder, wish)
) STRICT;
CREATE INDEX idempotency_by_time ON idempotency (at);

CREATE TABLE station_setup (
  station TEXT NOT NULL PRIMARY KEY,
  reel TEXT NOT NULL REFERENCES reel (reel_id),
  source TEXT NOT NULL,
  serial_start TEXT,
  takt_ms INTEGER NOT NULL CHECK (takt_ms BETWEEN 0 AND 86400000),
  per_hour INTEGER NOT NULL CHECK (per_hour BETWEEN 0 AND 1000000),
  check_label INTEGER NOT NULL CHECK (check_label IN (0, 1)),
  changed INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
