-- Times are ISO 8601 in UTC, dates ISO 8601, digests lower-case hexadecimal, sizes bytes, the rest of a fingerprint as
-- stat gives it. `turn` counts acceptances: the highest is the manifest accepted last.
CREATE TABLE manifest (
  platform TEXT NOT NULL,
  sequence INTEGER NOT NULL CHECK (sequence >= 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  place TEXT NOT NULL,
  issued TEXT NOT NULL,
  expires TEXT,
  accepted_at TEXT NOT NULL,
  turn INTEGER NOT NULL UNIQUE,
  signed_by TEXT NOT NULL,               -- the trust entry that vouched for it on the day it was accepted, empty: nobody
  signed_key TEXT NOT NULL,              -- that entry's fingerprint
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
  build TEXT NOT NULL,
  taken_at TEXT NOT NULL,
  taken_from TEXT NOT NULL,
  way_in TEXT NOT NULL,
  images TEXT NOT NULL,
  released TEXT,
  signature TEXT                         -- JSON array [file, form, key] that the manifest states, empty where none, NULL not known
) WITHOUT ROWID;
CREATE INDEX held_by_digest ON held (sha256);

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
  digests TEXT NOT NULL                  -- of the same read as `sha256`, as `name:hex` separated by blanks
) WITHOUT ROWID;

-- What was let through against the rules, on whose word: never deleted.
CREATE TABLE exception (
  number INTEGER PRIMARY KEY AUTOINCREMENT,
  at TEXT NOT NULL,
  what TEXT NOT NULL,
  subject TEXT NOT NULL,
  why TEXT NOT NULL CHECK (length(why) > 0)
);
