-- Times are ISO 8601 in UTC, dates ISO 8601, digests lower-case hexadecimal, sizes bytes, the rest of a fingerprint as
-- stat gives it. `turn` counts admissions: the highest is the manifest admitted last.
-- `checksum` is the row's own (store/database/row_checksums.py says of what); `total` has the number of rows of each
-- table and the sum of their checksums, kept by the triggers below, so that no row changes, vanishes or comes twice
-- unseen.
CREATE TABLE manifest (
  platform TEXT NOT NULL,
  sequence INTEGER NOT NULL CHECK (sequence >= 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  place TEXT NOT NULL,
  issued TEXT NOT NULL,
  expires TEXT,
  admitted_at TEXT NOT NULL,
  turn INTEGER NOT NULL,
  signed_by TEXT NOT NULL,               -- the trust entry of its signer on the day it was admitted, empty where there is none
  signed_key TEXT NOT NULL,              -- that entry's fingerprint
  checksum INTEGER NOT NULL,
  PRIMARY KEY (platform, sequence)
) WITHOUT ROWID;

CREATE TABLE bundle (
  place TEXT NOT NULL PRIMARY KEY,
  family TEXT NOT NULL,
  version TEXT NOT NULL,
  name TEXT NOT NULL,
  size INTEGER NOT NULL CHECK (size >= 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  platform TEXT NOT NULL,
  sequence INTEGER NOT NULL,
  digest_from TEXT NOT NULL,
  lifecycle TEXT NOT NULL,
  reason TEXT NOT NULL,
  variant TEXT NOT NULL,
  added_at TEXT NOT NULL,
  added_from TEXT NOT NULL,
  way_in TEXT NOT NULL,
  images TEXT NOT NULL,
  released TEXT,
  signature TEXT NOT NULL,               -- JSON array [file, form, key] that the manifest states, empty where none
  checksum INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE verification (
  place TEXT NOT NULL PRIMARY KEY,
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  verified_at TEXT NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  ctime_ns INTEGER NOT NULL,
  inode INTEGER NOT NULL,
  device INTEGER NOT NULL,
  trustworthy INTEGER NOT NULL CHECK (trustworthy IN (0, 1)),
  digests TEXT NOT NULL,                 -- of the same read as `sha256`, as `name:hex` separated by blanks
  checksum INTEGER NOT NULL
) WITHOUT ROWID;

-- Exceptions that were allowed, with their reasons: never deleted.
CREATE TABLE exception (
  number INTEGER PRIMARY KEY,
  at TEXT NOT NULL,
  what TEXT NOT NULL,
  subject TEXT NOT NULL,
  reason TEXT NOT NULL CHECK (length(reason) > 0),
  checksum INTEGER NOT NULL
);

CREATE TABLE total (
  of TEXT NOT NULL PRIMARY KEY,
  rows INTEGER NOT NULL,
  checksums INTEGER NOT NULL
) WITHOUT ROWID;
INSERT INTO total VALUES ('manifest', 0, 0), ('bundle', 0, 0), ('verification', 0, 0), ('exception', 0, 0);

CREATE TRIGGER manifest_comes AFTER INSERT ON manifest BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER manifest_changes AFTER UPDATE ON manifest BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER manifest_goes AFTER DELETE ON manifest BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER bundle_comes AFTER INSERT ON bundle BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'bundle';
END;
CREATE TRIGGER bundle_changes AFTER UPDATE ON bundle BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'bundle';
END;
CREATE TRIGGER bundle_goes AFTER DELETE ON bundle BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'bundle';
END;
CREATE TRIGGER verification_comes AFTER INSERT ON verification BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'verification';
END;
CREATE TRIGGER verification_changes AFTER UPDATE ON verification BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'verification';
END;
CREATE TRIGGER verification_goes AFTER DELETE ON verification BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'verification';
END;
CREATE TRIGGER exception_comes AFTER INSERT ON exception BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'exception';
END;
CREATE TRIGGER exception_changes AFTER UPDATE ON exception BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'exception';
END;
CREATE TRIGGER exception_goes AFTER DELETE ON exception BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'exception';
END;
