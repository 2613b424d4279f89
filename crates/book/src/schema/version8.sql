-- Version 8: who wrote the rows that say who a person is, and which units were checked again.

-- Checks of units that had passed are few among all entries, and asked for by reports.
CREATE INDEX entry_by_check ON entry (subject, sequence) WHERE act = 'unit.verify';

-- Keyed digests (RFC 2104, with SHA-256) of accounts, sessions, tokens and requests to revoke, under a key that is kept
-- outside the book. `account_names` is one row: all accounts' names. No entry vouches for them: whoever has the key makes
-- them anew.
CREATE TABLE seal (
  kind TEXT NOT NULL CHECK (kind IN ('account', 'account_names', 'account_subject', 'session', 'api_token', 'revocation_request')),
  name BLOB NOT NULL,
  seal BLOB NOT NULL CHECK (length(seal) = 32),
  PRIMARY KEY (kind, name)
) ROWLESS;
