-- A shared ledger of bundlekeeper's, for the administrator of a PostgreSQL database (15 or newer, encoding UTF8):
--
--     bundlekeeper ledger setup | psql --set ON_ERROR_STOP=1 DATABASE        as a superuser
--     GRANT bundlekeeper_recorder TO kim;     who records; each login role has a chain of its own
--     GRANT bundlekeeper_reader TO robin;     who only asks
--
-- It is one transaction: all of it or nothing. Nobody logs in as bundlekeeper_owner.
BEGIN;

DO $check$
BEGIN
    IF current_setting('server_version_num')::integer < 150000 OR current_setting('server_encoding') <> 'UTF8' THEN
        RAISE EXCEPTION 'a shared ledger needs PostgreSQL 15 or newer, and a database whose encoding is UTF8';
    END IF;
    -- Roles belong to all databases of the server: another one's ledger may have made them.
    IF to_regrole('bundlekeeper_owner') IS NULL THEN CREATE ROLE bundlekeeper_owner NOLOGIN; END IF;
    IF to_regrole('bundlekeeper_reader') IS NULL THEN CREATE ROLE bundlekeeper_reader NOLOGIN; END IF;
    IF to_regrole('bundlekeeper_recorder') IS NULL THEN CREATE ROLE bundlekeeper_recorder NOLOGIN; END IF;
END
$check$;
GRANT bundlekeeper_reader TO bundlekeeper_recorder;

CREATE SCHEMA bundlekeeper AUTHORIZATION bundlekeeper_owner;
SET LOCAL ROLE bundlekeeper_owner;
SET LOCAL search_path = bundlekeeper, pg_catalog;

-- The ledger. head(0) = SHA-256("bundlekeeper ledger 1\n" + id), head(n) = SHA-256(head(n-1) + id of event n).
CREATE TABLE ledger (
    one boolean PRIMARY KEY DEFAULT true CHECK (one),
    format integer NOT NULL,
    id bytea NOT NULL CHECK (length(id) = 16),
    count bigint NOT NULL,
    head bytea NOT NULL,
    batches bigint NOT NULL,
    learned bigint NOT NULL
);
INSERT INTO ledger (format, id, count, head, batches, learned)
SELECT 1, id, 0, sha256(convert_to(E'bundlekeeper ledger 1\n', 'UTF8') || id), 0, 0
FROM (SELECT decode(replace(gen_random_uuid()::text, '-', ''), 'hex') AS id) AS made;

-- Who recorded: a login role. Its chain: head(0) = SHA-256("bundlekeeper writer 1\n" + ledger's id + name), then as above.
CREATE TABLE writer (
    number integer PRIMARY KEY,
    name text NOT NULL UNIQUE,
    count bigint NOT NULL,
    head bytea NOT NULL
);

-- What one command recorded together: `length` events from number `first` on. `learned` is by this database's clock.
CREATE TABLE batch (
    number bigint PRIMARY KEY,
    token uuid NOT NULL UNIQUE,
    xact xid8 NOT NULL,
    writer integer NOT NULL REFERENCES writer,
    own boolean NOT NULL,
    learned bigint NOT NULL,         -- microseconds since 1970, UTC
    first bigint NOT NULL,
    length bigint NOT NULL,
    documents bytea[] NOT NULL,      -- texts of inventories, compressed
    brought jsonb                    -- what is to be known of the other ledger whose events were merged
);

-- The events in the database's order, from 1 without gaps. id = SHA-256("bundlekeeper event 1\n" + content).
CREATE TABLE event (
    number bigint PRIMARY KEY,
    id bytea NOT NULL UNIQUE,
    writer integer NOT NULL REFERENCES writer,
    sequence bigint NOT NULL,        -- the writer's own, from 1 without gaps
    head bytea NOT NULL,             -- of the ledger's chain, after this event
    content text NOT NULL
);

-- Where a recorder inserts. Its trigger distributes each row to the tables above; this one stays empty.
CREATE TABLE recording (
    token uuid NOT NULL,             -- made up by the client; rows of one token in one transaction are one batch
    own boolean NOT NULL,            -- false: merged from another ledger
    events text[] NOT NULL DEFAULT '{}',
    documents bytea[] NOT NULL DEFAULT '{}',
    brought jsonb
);

-- Whoever records waits here for the others, and is alone until the end of its transaction.
CREATE FUNCTION turn() RETURNS SETOF ledger LANGUAGE sql VOLATILE SECURITY DEFINER
SET search_path = pg_catalog, pg_temp AS $turn$
    SELECT * FROM bundlekeeper.ledger FOR UPDATE
$turn$;

CREATE FUNCTION record() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp AS $record$
DECLARE
    now_us CONSTANT bigint := floor(extract(epoch FROM clock_timestamp()) * 1000000);
    ours bundlekeeper.ledger;
    theirs bundlekeeper.writer;
    contents text[];
    ids bytea[];
    heads bytea[] := '{}';
    event_id bytea;
BEGIN
    IF EXISTS (SELECT FROM unnest(new.events) AS given (content)
        WHERE NOT coalesce(content::jsonb ?& ARRAY['what', 'at', 'zone', 'reported_by'], false)) THEN
        RAISE EXCEPTION 'not an event of bundlekeeper''s';
    END IF;
    SELECT * INTO STRICT ours FROM bundlekeeper.turn();
    SELECT * INTO theirs FROM bundlekeeper.writer WHERE name = session_user;
    IF NOT FOUND THEN
        INSERT INTO bundlekeeper.writer (number, name, count, head)
        SELECT count(*) + 1, session_user, 0,
            sha256(convert_to(E'bundlekeeper writer 1\n', 'UTF8') || ours.id || convert_to(session_user, 'UTF8'))
        FROM bundlekeeper.writer RETURNING * INTO theirs;
    END IF;

    -- The same event is kept once.
    SELECT array_agg(content ORDER BY place), array_agg(id ORDER BY place) INTO contents, ids
    FROM (
        SELECT DISTINCT ON (id) place, content, id FROM (
            SELECT place, content, sha256(convert_to(E'bundlekeeper event 1\n' || content, 'UTF8')) AS id
            FROM unnest(new.events) WITH ORDINALITY AS given (content, place)
        ) AS given ORDER BY id, place
    ) AS fresh
    WHERE NOT EXISTS (SELECT FROM bundlekeeper.event WHERE event.id = fresh.id);
    ids := coalesce(ids, '{}');
    FOREACH event_id IN ARRAY ids LOOP
        ours.head := sha256(ours.head || event_id);
        theirs.head := sha256(theirs.head || event_id);
        heads := heads || ours.head;
    END LOOP;

    ours.learned := greatest(ours.learned, now_us);
    UPDATE bundlekeeper.batch SET length = length + cardinality(ids), documents = documents || new.documents,
        brought = coalesce(new.brought, brought)
    WHERE number = ours.batches AND token = new.token AND xact = pg_current_xact_id();
    IF NOT FOUND THEN
        ours.batches := ours.batches + 1;
        INSERT INTO bundlekeeper.batch (number, token, xact, writer, own, learned, first, length, documents, brought)
        VALUES (ours.batches, new.token, pg_current_xact_id(), theirs.number, new.own, ours.learned, ours.count + 1,
            cardinality(ids), new.documents, new.brought);
    END IF;
    INSERT INTO bundlekeeper.event (number, id, writer, sequence, head, content)
    SELECT ours.count + place, id, theirs.number, theirs.count + place, head, content
    FROM unnest(ids, heads, contents) WITH ORDINALITY AS fresh (id, head, content, place);
    UPDATE bundlekeeper.writer SET count = count + cardinality(ids), head = theirs.head WHERE number = theirs.number;
    UPDATE bundlekeeper.ledger SET count = count + cardinality(ids), head = ours.head, batches = ours.batches,
        learned = ours.learned;
    RETURN NULL;
END
$record$;
CREATE TRIGGER record BEFORE INSERT ON recording FOR EACH ROW EXECUTE FUNCTION record();

-- What was recorded stays, whoever asks: only a batch of the same transaction grows, only counts go up.
CREATE FUNCTION keep() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $keep$
BEGIN
    RAISE EXCEPTION 'what was recorded is never changed' USING ERRCODE = 'insufficient_privilege';
END
$keep$;
CREATE TRIGGER keep BEFORE UPDATE OR DELETE ON event FOR EACH ROW EXECUTE FUNCTION keep();
CREATE TRIGGER keep_all BEFORE TRUNCATE ON event FOR EACH STATEMENT EXECUTE FUNCTION keep();
CREATE TRIGGER keep BEFORE DELETE ON batch FOR EACH ROW EXECUTE FUNCTION keep();
CREATE TRIGGER keep_growing BEFORE UPDATE ON batch FOR EACH ROW
WHEN (old.xact <> pg_current_xact_id() OR new.length < old.length
    OR (old.number, old.token, old.xact, old.writer, old.own, old.learned, old.first)
        IS DISTINCT FROM (new.number, new.token, new.xact, new.writer, new.own, new.learned, new.first))
EXECUTE FUNCTION keep();
CREATE TRIGGER keep_all BEFORE TRUNCATE ON batch FOR EACH STATEMENT EXECUTE FUNCTION keep();
CREATE TRIGGER keep BEFORE DELETE ON writer FOR EACH ROW EXECUTE FUNCTION keep();
CREATE TRIGGER keep_growing BEFORE UPDATE ON writer FOR EACH ROW
WHEN (new.count < old.count OR (old.number, old.name) IS DISTINCT FROM (new.number, new.name))
EXECUTE FUNCTION keep();
CREATE TRIGGER keep_all BEFORE TRUNCATE ON writer FOR EACH STATEMENT EXECUTE FUNCTION keep();
CREATE TRIGGER keep BEFORE DELETE ON ledger FOR EACH ROW EXECUTE FUNCTION keep();
CREATE TRIGGER keep_growing BEFORE UPDATE ON ledger FOR EACH ROW
WHEN (new.count < old.count OR new.batches < old.batches OR (old.format, old.id) IS DISTINCT FROM (new.format, new.id))
EXECUTE FUNCTION keep();
CREATE TRIGGER keep_all BEFORE TRUNCATE ON ledger FOR EACH STATEMENT EXECUTE FUNCTION keep();

REVOKE ALL ON FUNCTION turn(), record(), keep() FROM PUBLIC;
GRANT USAGE ON SCHEMA bundlekeeper TO bundlekeeper_reader;
GRANT SELECT ON ledger, writer, batch, event TO bundlekeeper_reader;
GRANT INSERT ON recording TO bundlekeeper_recorder;
GRANT EXECUTE ON FUNCTION turn() TO bundlekeeper_recorder;

COMMIT;
