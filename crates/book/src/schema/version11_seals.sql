
-- Enrolments let somebody in, so that they are sealed too.
CREATE TABLE seal_with_enrolments (
  kind TEXT NOT NULL CHECK (kind IN ('account', 'account_names', 'account_subject', 'session', 'api_token', 'revocation_request', 'enrolment')),
  name BLOB NOT NULL,
  seal BLOB NOT NULL CHECK (length(seal) = 32),
  PRIMARY KEY (kind, name)
) ROWLESS;
INSERT INTO seal_with_enrolments (kind, name, seal) SELECT kind, name, seal FROM seal;
DROP TABLE seal;
ALTER TABLE seal_with_enrolments RENAME TO seal;
