-- Version 5: the firmware that a unit carries, as its station was told.
-- Tables of their own: what the log says of attempts and stations until now stays as it is.

CREATE TABLE attempt_firmware (
  unit TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  version TEXT NOT NULL CHECK (length(version) BETWEEN 1 AND 100),
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, attempt),
  FOREIGN KEY (unit, attempt) REFERENCES attempt (unit, number)
) ROWLESS;
CREATE INDEX attempt_firmware_by_version ON attempt_firmware (version, unit);

CREATE TABLE station_firmware (
  station TEXT NOT NULL PRIMARY KEY REFERENCES station_setup (station),
  version TEXT CHECK (length(version) BETWEEN 1 AND 100),
  changed INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
