-- Version 10: meetings of finished units.

-- A home was played to a unit: the verdict, and what the unit gave. `credential` is the key of the certificate that it
-- gave, where the book knows that one; else `dac` holds the certificate itself. With the exchange it is the meeting's
-- proof: the session's keys made the challenge, and no station chose it.
CREATE TABLE meeting (
  unit TEXT NOT NULL REFERENCES unit (serial),
  number INTEGER NOT NULL CHECK (number >= 1),
  verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'rejected', 'unreachable')),
  cause TEXT,
  place TEXT,
  credential BLOB REFERENCES credential (public_key),
  dac BLOB,
  pai BLOB REFERENCES octets (digest),
  nonce BLOB UNIQUE CHECK (length(nonce) = 32),
  challenge BLOB CHECK (length(challenge) BETWEEN 16 AND 64),
  elements BLOB,
  signature BLOB,
  report TEXT NOT NULL,
  took INTEGER NOT NULL CHECK (took >= 0),
  met INTEGER NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, number),
  CHECK (credential IS NULL OR dac IS NULL),
  CHECK ((nonce IS NULL) = (signature IS NULL) AND (nonce IS NULL) = (elements IS NULL)
    AND (nonce IS NULL) = (challenge IS NULL)),
  CHECK (verdict <> 'accepted' OR (nonce IS NOT NULL AND credential IS NOT NULL AND pai IS NOT NULL AND cause IS NULL))
) STRICT;
CREATE INDEX meeting_by_time ON meeting (met);
