-- Events that count, by when they happened, so that those beyond a clock are counted without a look at the others.
-- A correction counts whenever it was said, so its time hides nothing. The columns of the condition are in the index
-- because SQLite asks for them again; they take one byte each.
CREATE INDEX event_at ON event (at, void, corrects) WHERE void = 0 AND corrects IS NULL;

-- Other books' chains as they were first met: their events from number `first` on are, one after the other, ours from
-- `seq` on. The rows of one book follow each other without a gap, from its first event.
CREATE TABLE followed (
    book BLOB NOT NULL,
    first INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    length INTEGER NOT NULL,
    PRIMARY KEY (book, first)
) WITHOUT ROWID;
