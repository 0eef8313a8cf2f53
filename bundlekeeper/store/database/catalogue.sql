-- Times are ISO 8601 in UTC, dates ISO 8601, digests lower-case hexadecimal, sizes bytes, the rest of a fingerprint as
-- stat gives it. `turn` counts acceptances: the highest is the manifest accepted last.
-- `checksum` is the row's own (store/database/row_checksums.py says of what); `total` holds how many rows each table has and the
-- sum of their checksums, kept by the triggers below, so that no row changes, vanishes or comes twice unseen.
CREATE TABLE manifest (
  platform TEXT NOT NULL,
  sequence INTEGER NOT NULL CHECK (sequence >= 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  place TEXT NOT NULL,
  issued TEXT NOT NULL,
  expires TEXT,
  accepted_at TEXT NOT NULL,
  turn INTEGER NOT NULL,
  signed_by TEXT NOT NULL,               -- the trust entry that vouched for it on the day it was accepted, empty: nobody
  signed_key TEXT NOT NULL,              -- that entry's fingerprint
  checksum INTEGER NOT NULL,
  PRIMARY KEY (platform, sequence)
) WITHOUT ROWID;

CREATE TABLE held (
  place TEXT NOT NULL PRIMARY KEY,
  family TEXT NOT NULL,
  version TEXT NOT NULL,
  name TEXT NOT NULL,
  size INTEGER NOT NULL CHECK (size >= 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  platform TEXT NOT NULL,
  sequence INTEGER NOT NULL,
  digest_from TEXT NOT NULL,
  standing TEXT NOT NULL,
  why TEXT NOT NULL,
  variant TEXT NOT NULL,
  taken_at TEXT NOT NULL,
  taken_from TEXT NOT NULL,
  way_in TEXT NOT NULL,
  images TEXT NOT NULL,
  released TEXT,
  signature TEXT NOT NULL,               -- JSON array [file, form, key] that the manifest states, empty where none
  checksum INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE proof (
  place TEXT NOT NULL PRIMARY KEY,
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  proven_at TEXT NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  ctime_ns INTEGER NOT NULL,
  inode INTEGER NOT NULL,
  device INTEGER NOT NULL,
  trustworthy INTEGER NOT NULL CHECK (trustworthy IN (0, 1)),
  digests TEXT NOT NULL,                 -- of the same read as `sha256`, as `name:hex` separated by blanks
  checksum INTEGER NOT NULL
) WITHOUT ROWID;

-- What was let through against the rules, on whose word: never deleted.
CREATE TABLE exception (
  number INTEGER PRIMARY KEY,
  at TEXT NOT NULL,
  what TEXT NOT NULL,
  subject TEXT NOT NULL,
  why TEXT NOT NULL CHECK (length(why) > 0),
  checksum INTEGER NOT NULL
);

CREATE TABLE total (
  of TEXT NOT NULL PRIMARY KEY,
  rows INTEGER NOT NULL,
  checksums INTEGER NOT NULL
) WITHOUT ROWID;
INSERT INTO total VALUES ('manifest', 0, 0), ('held', 0, 0), ('proof', 0, 0), ('exception', 0, 0);

CREATE TRIGGER manifest_comes AFTER INSERT ON manifest BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER manifest_changes AFTER UPDATE ON manifest BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER manifest_goes AFTER DELETE ON manifest BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'manifest';
END;
CREATE TRIGGER held_comes AFTER INSERT ON held BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'held';
END;
CREATE TRIGGER held_changes AFTER UPDATE ON held BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'held';
END;
CREATE TRIGGER held_goes AFTER DELETE ON held BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'held';
END;
CREATE TRIGGER proof_comes AFTER INSERT ON proof BEGIN
  UPDATE total SET rows = rows + 1, checksums = checksums + new.checksum WHERE of = 'proof';
END;
CREATE TRIGGER proof_changes AFTER UPDATE ON proof BEGIN
  UPDATE total SET checksums = checksums - old.checksum + new.checksum WHERE of = 'proof';
END;
CREATE TRIGGER proof_goes AFTER DELETE ON proof BEGIN
  UPDATE total SET rows = rows - 1, checksums = checksums - old.checksum WHERE of = 'proof';
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
