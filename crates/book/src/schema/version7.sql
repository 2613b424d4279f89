-- Version 7: people who sign in with their company's account.

-- Whom an account belongs to at the company's provider. The provider's name for a person may change and be another's
-- later; issuer and subject together never are (OpenID Connect Core 1.0 §5.7). An account with a row here has the
-- empty text for a password, which is no hash: version 4 wants a way to sign in, and here it is this row.
CREATE TABLE account_subject (
  account TEXT NOT NULL PRIMARY KEY REFERENCES account (name),
  issuer TEXT NOT NULL CHECK (length(issuer) BETWEEN 1 AND 2000),
  subject TEXT NOT NULL CHECK (length(subject) BETWEEN 1 AND 255),
  entry INTEGER NOT NULL,
  UNIQUE (issuer, subject)
) STRICT;

-- Sessions are working notes: with another way to sign in they begin anew.
DROP TABLE session;
CREATE TABLE session (
  token BLOB NOT NULL PRIMARY KEY CHECK (length(token) = 32),
  account TEXT NOT NULL REFERENCES account (name),
  means TEXT NOT NULL CHECK (means IN ('password', 'badge', 'link', 'company')),
  began INTEGER NOT NULL,
  expires INTEGER NOT NULL
) STRICT;
CREATE INDEX session_by_account ON session (account);
CREATE INDEX session_by_end ON session (expires);
