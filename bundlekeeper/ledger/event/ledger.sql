-- `seal` in any table is a checksum over the row's other cells (seals.py).

-- The ledger. `count` and `head` are those of the chain: head(0) = SHA-256("bundlekeeper ledger 1\n" + id),
-- head(n) = SHA-256(head(n-1) + id of event n). The others count what must be there (own_chain.py).
CREATE TABLE ledger (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    id BLOB NOT NULL,
    count INTEGER NOT NULL,
    head BLOB NOT NULL,
    readings INTEGER NOT NULL,       -- events of the kind inventory
    undone INTEGER NOT NULL,         -- events of the kind undone
    learned INTEGER NOT NULL,        -- rows of `learning`
    met INTEGER NOT NULL,            -- rows of `peer`, `followed`, `piece` and `batch`
    latest INTEGER NOT NULL,         -- the furthest `at` of any event
    seal INTEGER NOT NULL
);

-- Every text once; columns that say so have its number. NULL is not stated, the number of '' is known to be none.
CREATE TABLE word (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE, seal INTEGER NOT NULL);
INSERT INTO word (id, text, seal) VALUES (1, '', 1);
-- A second index beside the one that UNIQUE makes: both must agree that a text was never recorded.
CREATE INDEX word_text ON word (text, seal);

-- `seq` is the order of learning in this store, from 1 without gaps. Small closed words are numbers (rows.py).
CREATE TABLE event (
    seq INTEGER PRIMARY KEY,
    id BLOB NOT NULL UNIQUE,
    what INTEGER NOT NULL,
    at INTEGER NOT NULL,             -- microseconds since 1970, UTC
    day INTEGER NOT NULL,            -- 1: a whole day, `at` is its end
    turn INTEGER NOT NULL,           -- the event's `order`
    evidence INTEGER NOT NULL,
    method INTEGER NOT NULL,
    bank INTEGER NOT NULL,
    zone INTEGER NOT NULL,           -- word, as are all of the following
    reported_by INTEGER NOT NULL,
    done_by INTEGER,
    approved_by INTEGER,
    change INTEGER,
    plan INTEGER,
    source INTEGER,
    component INTEGER,
    kind INTEGER,
    model INTEGER,
    parent INTEGER,
    name INTEGER,
    tags INTEGER,                    -- word: a JSON list
    site INTEGER,
    domain INTEGER,
    chassis INTEGER,
    slot INTEGER,
    version INTEGER,
    family INTEGER,
    bundle INTEGER,
    sha256 INTEGER,
    seen_active INTEGER,
    seen_pending INTEGER,
    seen_spare INTEGER,
    seen_boot_files INTEGER,         -- word: a JSON list
    seen_staged INTEGER,
    seen_healthy INTEGER,            -- 1 or 0
    reading INTEGER,
    undoes BLOB,                     -- id of another event
    extra TEXT,                      -- JSON of what is seldom stated
    void INTEGER NOT NULL DEFAULT 0, -- derived: 1 when it, or its reading, is undone by a later entry that counts
    seal INTEGER NOT NULL            -- twice the checksum, and one more where void
);
CREATE INDEX event_component ON event (component, at) WHERE component IS NOT NULL;
-- The same in the order of learning: where a damaged page lost rows of one of the two, the other has them.
CREATE INDEX event_learned ON event (component, seq) WHERE component IS NOT NULL;
CREATE INDEX event_undoes ON event (undoes) WHERE undoes IS NOT NULL;
CREATE INDEX event_other ON event (what) WHERE component IS NULL;
-- What was uploaded: few events, asked for by every `status`; twice, as above.
CREATE INDEX event_upload ON event (what) WHERE what > 11;
CREATE INDEX event_upload_too ON event (at) WHERE what > 11;

CREATE TRIGGER event_is_kept BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER event_is_never_changed BEFORE UPDATE ON event
WHEN (old.seq, old.id, old.what, old.at, old.component, old.version, old.undoes, old.extra)
    IS NOT (new.seq, new.id, new.what, new.at, new.component, new.version, new.undoes, new.extra)
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;

-- When events were learned: one row for the events from `first` up to the next row's. They are a batch: what one
-- command recorded (`own` is 1), or what one file brought from another store (0).
CREATE TABLE learning (
    first INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    own INTEGER NOT NULL,
    batch BLOB NOT NULL,             -- SHA-256 of a line and the ids of its events in their order (batches.py)
    seal INTEGER NOT NULL
);

-- Batches that other ledgers recorded: their events are, one after the other, `length` of ours from number `seq` on.
CREATE TABLE batch (
    batch BLOB NOT NULL,
    place INTEGER NOT NULL,          -- 0, 1, …: where they are not in one run here
    seq INTEGER NOT NULL,
    length INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (batch, place)
) WITHOUT ROWID;

-- Inventories that were read, whole and compressed, by the SHA-256 of their text.
CREATE TABLE document (sha256 BLOB PRIMARY KEY, text BLOB NOT NULL);

-- Heads of other stores' chains, as they were when their events were merged here.
CREATE TABLE peer (
    ledger BLOB NOT NULL,
    count INTEGER NOT NULL,
    head BLOB NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (ledger, count)
);

-- What follows is derived from the events and can be made again.

-- An image as events name it; all four are words, 0 where not stated.
CREATE TABLE image (
    id INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    family INTEGER NOT NULL,
    bundle INTEGER NOT NULL,
    sha256 INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    UNIQUE (version, family, bundle, sha256)
);

-- The state of a component from `since` up to, and without, `until`. A bank is an image, 0 for none, NULL for not known.
CREATE TABLE state (
    component INTEGER NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,          -- 9223372036854775807 for the state now
    kind INTEGER,
    model INTEGER,
    parent INTEGER,
    name INTEGER,
    tags INTEGER,                    -- word: a JSON list
    site INTEGER,
    domain INTEGER,
    chassis INTEGER,
    slot INTEGER,
    present INTEGER NOT NULL,
    active INTEGER,
    active_event INTEGER,
    pending INTEGER,
    pending_event INTEGER,
    spare INTEGER,
    spare_event INTEGER,
    staged INTEGER,                  -- what was brought to be activated, in whichever bank
    staged_event INTEGER,
    tried INTEGER,                   -- what was staged before an activation that was not read back yet, 0 for nothing
    tried_event INTEGER,
    ran_before INTEGER,              -- what was active before `active`
    ran_before_event INTEGER,
    boot_file_count INTEGER NOT NULL, -- how many rows of `boot_files` there are
    boot_files_known INTEGER NOT NULL, -- 1: the list of boot files is whole
    recorded INTEGER,                -- the image that was last recorded as activated, and by which event
    recorded_event INTEGER,
    differs INTEGER NOT NULL,        -- 1: the last reading of the running version is not `recorded`
    unread INTEGER NOT NULL,         -- 1: the running version was not read since `recorded`
    healthy INTEGER,                 -- 1 or 0
    failed_event INTEGER,            -- an activation failed, and since then none was recorded or read
    no_answer_event INTEGER,         -- it did not answer, and nothing was heard of it since
    seen_event INTEGER,              -- the last reading of the running version
    last INTEGER NOT NULL,           -- `at` of the last event that counted
    before INTEGER,                  -- `since` of the row before, NULL in the first one: a row that is lost is noticed
    seal INTEGER NOT NULL,
    PRIMARY KEY (component, since)
) WITHOUT ROWID;
-- Two indexes each: where a damaged page lost rows of one of them, or of the table, the other has them (places.py).
-- Those by place have all columns that are asked for by place and counted, those with few values first: so what is
-- counted is read in the order of its groups.
CREATE INDEX state_place ON state (
    until, site, domain, kind, model, active, pending, spare, staged, present, differs, chassis, slot
);
CREATE INDEX state_site ON state (
    site, until, domain, kind, model, active, pending, spare, staged, present, differs, chassis, slot
);
CREATE INDEX state_active ON state (active, until) WHERE active > 0;
CREATE INDEX state_active_too ON state (active, until) WHERE active > 0;
CREATE INDEX state_pending ON state (pending, until) WHERE pending > 0;
CREATE INDEX state_pending_too ON state (pending, until) WHERE pending > 0;
CREATE INDEX state_spare ON state (spare, until) WHERE spare > 0;
CREATE INDEX state_spare_too ON state (spare, until) WHERE spare > 0;
CREATE INDEX state_staged ON state (staged, until) WHERE staged > 0;
CREATE INDEX state_staged_too ON state (staged, until) WHERE staged > 0;
-- What is still to be done or found out now, which every `status` asks for.
CREATE INDEX state_open ON state (until, staged, differs, unread, failed_event, no_answer_event)
    WHERE until = 9223372036854775807
    AND (staged > 0 OR differs = 1 OR unread = 1 OR failed_event IS NOT NULL OR no_answer_event IS NOT NULL);
CREATE INDEX state_open_too ON state (until, staged, differs, unread, failed_event, no_answer_event)
    WHERE until = 9223372036854775807
    AND (staged > 0 OR differs = 1 OR unread = 1 OR failed_event IS NOT NULL OR no_answer_event IS NOT NULL);
CREATE INDEX state_name ON state (name, until) WHERE name IS NOT NULL;
CREATE INDEX state_name_too ON state (name, until) WHERE name IS NOT NULL;
CREATE INDEX state_parent ON state (parent, until) WHERE parent IS NOT NULL;
CREATE INDEX state_parent_too ON state (parent, until) WHERE parent IS NOT NULL;

-- Every tag that a component has or had.
CREATE TABLE tagged (
    component INTEGER NOT NULL,
    tag INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (component, tag)
) WITHOUT ROWID;
CREATE INDEX tagged_tag ON tagged (tag);

-- Images on a component's own file system, from `since` up to `until`.
CREATE TABLE boot_files (
    component INTEGER NOT NULL,
    image INTEGER NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    event INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (component, image, since)
) WITHOUT ROWID;
CREATE INDEX boot_files_image ON boot_files (image, until);

-- Events that count, by when they happened, so that those beyond a clock are counted without a look at the others.
-- An event that undoes another counts whatever its time, so it is left out. The columns of the condition are in the
-- index because SQLite asks for them again; each needs one byte.
CREATE INDEX event_at ON event (at, void, undoes) WHERE void = 0 AND undoes IS NULL;

-- Other ledgers' chains as they were first met: `length` of their events from number `first` on are, one after the
-- other, ours from `seq` on. The rows of one ledger follow each other without a gap, from its first event.
CREATE TABLE followed (
    ledger BLOB NOT NULL,
    first INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    length INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (ledger, first)
) WITHOUT ROWID;
-- Parts of other ledgers' chains, after number `after` up to `count`, that came while events before them were not here:
-- which ones still are not here is reported whenever a later part comes.
CREATE TABLE piece (
    ledger BLOB NOT NULL,
    after INTEGER NOT NULL,
    count INTEGER NOT NULL,
    seal INTEGER NOT NULL,
    PRIMARY KEY (ledger, after, count)
) WITHOUT ROWID;

-- In a copy of a shared ledger: the number of the last one of its batches that is here, and how many events it had when
-- it was last asked: with fewer, the copying was interrupted.
CREATE TABLE copied (one INTEGER PRIMARY KEY CHECK (one = 1), batch INTEGER NOT NULL, events INTEGER NOT NULL);
