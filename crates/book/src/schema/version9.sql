-- Version 9: units that outlive their boards, and reels that are divided.

-- A unit that goes back to the line: for its next board (`swap`), or with the board that it has (`refurbish`). `chip_id`
-- is the board that it has then, and `attempts` how many attempts it has had. It waits until the next one begins, which
-- draws a new code where that is due. A swapped board is done with: it is never swapped again.
CREATE TABLE renewal (
  unit TEXT NOT NULL REFERENCES unit (serial),
  number INTEGER NOT NULL CHECK (number >= 1),
  kind TEXT NOT NULL CHECK (kind IN ('swap', 'refurbish')),
  chip_id TEXT NOT NULL REFERENCES chip (chip_id),
  attempts INTEGER NOT NULL CHECK (attempts >= 1),
  new_code INTEGER NOT NULL CHECK (new_code IN (0, 1)),
  was TEXT NOT NULL CHECK (was IN ('open', 'passed', 'failed', 'scrapped', 'returned')),
  reason TEXT NOT NULL,
  at INTEGER NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, number)
) ROWLESS;
CREATE INDEX renewal_by_chip ON renewal (chip_id);
CREATE UNIQUE INDEX renewal_one_swap ON renewal (chip_id) WHERE kind = 'swap';

-- Proofs of a unit after its first one, which stays in `proof`: of a later board, or of the same one proven again.
CREATE TABLE later_proof (
  unit TEXT NOT NULL REFERENCES proof (unit),
  attempt INTEGER NOT NULL,
  public_key BLOB NOT NULL REFERENCES credential (public_key),
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
  PRIMARY KEY (unit, attempt),
  FOREIGN KEY (unit, attempt) REFERENCES attempt (unit, number)
) STRICT;
CREATE INDEX later_proof_by_key ON later_proof (public_key);

-- Onboarding data that a unit had before it got new ones, and when those were drawn. Like the unit's own, the passcode
-- is encrypted by the caller and can only be erased.
CREATE TABLE earlier_code (
  unit TEXT NOT NULL REFERENCES unit (serial),
  number INTEGER NOT NULL CHECK (number >= 1),
  replaced INTEGER NOT NULL,
  discriminator INTEGER NOT NULL CHECK (discriminator BETWEEN 0 AND 4095),
  salt BLOB NOT NULL CHECK (length(salt) BETWEEN 16 AND 32),
  iterations INTEGER NOT NULL CHECK (iterations BETWEEN 1000 AND 100000),
  verifier BLOB NOT NULL CHECK (length(verifier) = 97),
  passcode BLOB,
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, number)
) STRICT;

-- A reel that was split off another: its chips were that one's from place `first` to place `last`, which is place 1 and
-- up here. `origin` is the reel that they were received on, where each lies `shift` places further up. `certificates`
-- came with it: their deliveries were for other reels.
CREATE TABLE reel_split (
  reel TEXT NOT NULL PRIMARY KEY REFERENCES reel (reel_id),
  source TEXT NOT NULL REFERENCES reel (reel_id),
  first INTEGER NOT NULL CHECK (first >= 1),
  last INTEGER NOT NULL CHECK (last >= first),
  origin TEXT NOT NULL REFERENCES reel (reel_id),
  shift INTEGER NOT NULL CHECK (shift >= 0),
  certificates INTEGER NOT NULL CHECK (certificates >= 0),
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX reel_split_by_source ON reel_split (source);
CREATE INDEX reel_split_by_origin ON reel_split (origin);

-- Units that a station is not done with, by their reel: few, however many are made.
CREATE INDEX unit_to_finish ON unit (reel, chip_id) WHERE state IN ('open', 'failed');
