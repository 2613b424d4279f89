-- Version 12: panels, cartons, and codes that were replaced.

-- A replaced code is found as a unit's own is.
CREATE INDEX earlier_code_by_discriminator ON earlier_code (discriminator);

-- The panel that a board was on when an attempt began, and its place there, as the station was told.
CREATE TABLE attempt_panel (
  unit TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  panel TEXT NOT NULL,
  place INTEGER NOT NULL CHECK (place >= 1),
  entry INTEGER NOT NULL,
  PRIMARY KEY (unit, attempt),
  FOREIGN KEY (unit, attempt) REFERENCES attempt (unit, number)
) ROWLESS;

-- A carton with units of `product`, or of several where it is `mixed`; the pallet that it is on, the shipment that it is in.
CREATE TABLE carton (
  carton TEXT NOT NULL PRIMARY KEY,
  product TEXT NOT NULL REFERENCES product (name),
  mixed INTEGER NOT NULL CHECK (mixed IN (0, 1)),
  pallet TEXT,
  shipment TEXT,
  began INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX carton_any_case ON carton (upper(carton));
CREATE INDEX carton_by_pallet ON carton (pallet) WHERE pallet IS NOT NULL;
CREATE INDEX carton_by_shipment ON carton (shipment) WHERE shipment IS NOT NULL;

-- The carton that a unit is in, since when; none since it was taken out. A unit is in one at most.
CREATE TABLE packed (
  unit TEXT NOT NULL PRIMARY KEY REFERENCES unit (serial),
  carton TEXT REFERENCES carton (carton),
  at INTEGER NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL
) ROWLESS;
CREATE INDEX packed_by_carton ON packed (carton) WHERE carton IS NOT NULL;
