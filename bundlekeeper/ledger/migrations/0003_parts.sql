-- Parts of other books' chains, after number `after` up to `count`, that came while events before them were not here:
-- which ones still are not is told whenever a part comes that follows them.
CREATE TABLE piece (
    book BLOB NOT NULL,
    after INTEGER NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (book, after, count)
) WITHOUT ROWID;
