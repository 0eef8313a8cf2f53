-- What is known of signatures. `signature` is the JSON array [file, form, key] that the manifest states, empty where it
-- states none, NULL where the row is older than this column and it is not known. `digests` are of the same read as
-- `sha256`, as `name:hex` separated by blanks. `signed_by` is the trust entry that vouched for the manifest on the day
-- it was accepted, `signed_key` that entry's fingerprint; both empty where nobody did.
ALTER TABLE held ADD COLUMN signature TEXT;
ALTER TABLE proof ADD COLUMN digests TEXT NOT NULL DEFAULT '';
ALTER TABLE manifest ADD COLUMN signed_by TEXT NOT NULL DEFAULT '';
ALTER TABLE manifest ADD COLUMN signed_key TEXT NOT NULL DEFAULT '';
