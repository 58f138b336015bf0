-- The first form of the store. Described in docs/store-format.md.

CREATE TABLE store (
    id   INTEGER PRIMARY KEY CHECK (id = 1),
    uuid TEXT NOT NULL
) STRICT;

CREATE TABLE run (
    id           INTEGER PRIMARY KEY,
    boot_id      TEXT NOT NULL,
    started_t_us INTEGER NOT NULL,
    clock_rate   REAL NOT NULL,
    recorded_by  TEXT NOT NULL,
    replay_of    TEXT
) STRICT;

-- How the instrument of a source was described from a run on. body: JSON.
CREATE TABLE instrument (
    source   TEXT NOT NULL,
    from_run INTEGER NOT NULL REFERENCES run (id),
    body     TEXT NOT NULL,
    PRIMARY KEY (source, from_run)
) STRICT, WITHOUT ROWID;

CREATE TABLE clock_observation (
    boot_id      TEXT NOT NULL,
    t_us         INTEGER NOT NULL,
    unix_us      INTEGER NOT NULL,
    synchronised INTEGER NOT NULL CHECK (synchronised IN (0, 1)),
    PRIMARY KEY (boot_id, t_us, unix_us, synchronised)
) STRICT, WITHOUT ROWID;

CREATE TABLE decode_set (
    id              INTEGER PRIMARY KEY,
    source          TEXT NOT NULL,
    decoder         TEXT NOT NULL,
    decoder_version TEXT NOT NULL,
    config_digest   TEXT NOT NULL,
    identity        TEXT,
    UNIQUE (source, decoder, decoder_version, config_digest, identity)
) STRICT;

-- channels: JSON array of {instrument, name, quantity}, in the order of readings.
CREATE TABLE channel_group (
    id         INTEGER PRIMARY KEY,
    decode_set INTEGER NOT NULL REFERENCES decode_set (id),
    name       TEXT NOT NULL,
    channels   TEXT NOT NULL,
    UNIQUE (decode_set, name, channels)
) STRICT;

-- The channels of a group, for whoever looks with other tools. quantity: its
-- machine-readable name. Written with the group.
CREATE TABLE channel (
    id            INTEGER PRIMARY KEY,
    channel_group INTEGER NOT NULL REFERENCES channel_group (id),
    position      INTEGER NOT NULL,
    instrument    TEXT NOT NULL,
    name          TEXT NOT NULL,
    quantity      TEXT NOT NULL,
    unit          TEXT NOT NULL,
    UNIQUE (channel_group, position)
) STRICT;

-- Samples that are not sealed yet, in order of arrival. readings: 8 bytes a
-- channel, f64, little-endian; a BLOB, because a REAL column keeps neither NaN
-- nor -0.0.
CREATE TABLE tail (
    seq             INTEGER PRIMARY KEY CHECK (seq > 0),
    run             INTEGER NOT NULL,
    channel_group   INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    instrument_t_us INTEGER,
    readings        BLOB NOT NULL
) STRICT;

-- Sealed samples of one group and run. What they are lies apart, so that
-- looking for a chunk does not read through the others.
CREATE TABLE chunk (
    id            INTEGER PRIMARY KEY,
    channel_group INTEGER NOT NULL REFERENCES channel_group (id),
    run           INTEGER NOT NULL REFERENCES run (id),
    first_seq     INTEGER NOT NULL,
    last_seq      INTEGER NOT NULL CHECK (last_seq >= first_seq),
    samples       INTEGER NOT NULL CHECK (samples > 0),
    t_min_us      INTEGER NOT NULL,
    t_max_us      INTEGER NOT NULL CHECK (t_max_us >= t_min_us)
) STRICT;

CREATE INDEX chunk_by_time ON chunk (channel_group, run, t_max_us);
CREATE INDEX chunk_by_number ON chunk (last_seq);

-- data: columns with a checksum, as docs/store-format.md describes.
CREATE TABLE chunk_data (
    chunk INTEGER PRIMARY KEY REFERENCES chunk (id),
    data  BLOB NOT NULL
) STRICT;

-- Chunks that were thinned to their minutes and hours: what their rows said.
CREATE TABLE thinned (
    id            INTEGER PRIMARY KEY,
    channel_group INTEGER NOT NULL REFERENCES channel_group (id),
    run           INTEGER NOT NULL REFERENCES run (id),
    first_seq     INTEGER NOT NULL,
    last_seq      INTEGER NOT NULL,
    samples       INTEGER NOT NULL,
    t_min_us      INTEGER NOT NULL,
    t_max_us      INTEGER NOT NULL
) STRICT;

CREATE INDEX thinned_by_number ON thinned (last_seq);

-- Stretches that are never thinned, and whose frames stay: what the results of
-- a session cite as evidence and what lies outside it.
CREATE TABLE pin (
    id        INTEGER PRIMARY KEY,
    session   INTEGER NOT NULL REFERENCES session (id),
    source    TEXT NOT NULL,
    run       INTEGER NOT NULL REFERENCES run (id),
    from_t_us INTEGER NOT NULL,
    to_t_us   INTEGER NOT NULL,
    UNIQUE (session, source, run, from_t_us, to_t_us)
) STRICT;

-- What a channel read in a minute of a run's clock: minute 7 is from 420 s up to
-- but not 480 s. What was decoded again counts in place of what it stands in for.
CREATE TABLE minute (
    channel INTEGER NOT NULL REFERENCES channel (id),
    run     INTEGER NOT NULL,
    minute  INTEGER NOT NULL,
    count   INTEGER NOT NULL,
    min     REAL,
    max     REAL,
    sum     REAL,
    first   REAL,
    last    REAL,
    PRIMARY KEY (channel, run, minute)
) STRICT, WITHOUT ROWID;

-- The same for hours.
CREATE TABLE hour (
    channel INTEGER NOT NULL REFERENCES channel (id),
    run     INTEGER NOT NULL,
    hour    INTEGER NOT NULL,
    count   INTEGER NOT NULL,
    min     REAL,
    max     REAL,
    sum     REAL,
    first   REAL,
    last    REAL,
    PRIMARY KEY (channel, run, hour)
) STRICT, WITHOUT ROWID;

-- Up to which sample they count.
CREATE TABLE summed (
    what      TEXT PRIMARY KEY CHECK (what IN ('minute', 'hour')),
    up_to_seq INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

INSERT INTO summed VALUES ('minute', 0), ('hour', 0);

-- The minutes in words, with their date as the boot's newest clock observation
-- has it, a synchronised one before others.
CREATE VIEW minutes AS
SELECT decode_set.source, channel.instrument, channel.name, channel.quantity, channel.unit,
       minute.run, 60.0 * minute.minute AS run_second,
       60.0 * minute.minute + 1e-6 * (
           SELECT unix_us - t_us FROM clock_observation
           WHERE clock_observation.boot_id = run.boot_id
           ORDER BY synchronised DESC, t_us DESC LIMIT 1
       ) AS unix_time_second,
       minute.count, minute.min, minute.sum / minute.count AS mean, minute.max,
       minute.first, minute.last
FROM minute
JOIN channel ON channel.id = minute.channel
JOIN channel_group ON channel_group.id = channel.channel_group
JOIN decode_set ON decode_set.id = channel_group.decode_set
JOIN run ON run.id = minute.run;

-- A stretch of a source that was decoded again: in it, samples first_seq to
-- last_seq stand in for those of lower numbers. Of several, the last counts.
CREATE TABLE redecoding (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,
    run       INTEGER NOT NULL REFERENCES run (id),
    from_t_us INTEGER NOT NULL,
    to_t_us   INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    last_seq  INTEGER NOT NULL CHECK (last_seq >= first_seq)
) STRICT;

-- From where in a file the samples of a run came: sample seq from this line,
-- the next from the line after, until another row says otherwise.
CREATE TABLE line_mark (
    run  INTEGER NOT NULL REFERENCES run (id),
    seq  INTEGER NOT NULL,
    line INTEGER NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;

-- snapshot, frames: packed with a checksum, as docs/store-format.md describes.
CREATE TABLE frame_chunk (
    id           INTEGER PRIMARY KEY,
    run          INTEGER NOT NULL REFERENCES run (id),
    decode_set   INTEGER NOT NULL REFERENCES decode_set (id),
    first_number INTEGER NOT NULL,
    last_number  INTEGER NOT NULL,
    t_min_us     INTEGER NOT NULL,
    t_max_us     INTEGER NOT NULL,
    opens        INTEGER NOT NULL CHECK (opens IN (0, 1)),
    snapshot     BLOB,
    frames       BLOB NOT NULL,
    UNIQUE (decode_set, run, first_number)
) STRICT;

-- Finds what is to be put together.
CREATE INDEX frame_chunk_small ON frame_chunk (decode_set, run, first_number)
    WHERE length(frames) < 8192;

CREATE TABLE pack (
    label TEXT PRIMARY KEY,
    body  TEXT NOT NULL
) STRICT;

CREATE TABLE session (
    id                  INTEGER PRIMARY KEY,
    uuid                TEXT NOT NULL UNIQUE,
    pack                TEXT,
    sources             TEXT NOT NULL,
    opened_by           TEXT NOT NULL,
    start_run           INTEGER NOT NULL REFERENCES run (id),
    start_t_us          INTEGER NOT NULL,
    end_run             INTEGER REFERENCES run (id),
    end_t_us            INTEGER,
    revision            INTEGER NOT NULL,
    cutoff_voltage_volt REAL,
    cutoff_rule         TEXT NOT NULL,
    CHECK ((end_run IS NULL) = (end_t_us IS NULL))
) STRICT;

CREATE TABLE session_tag (
    session  INTEGER NOT NULL REFERENCES session (id),
    position INTEGER NOT NULL,
    key      TEXT NOT NULL,
    value    TEXT,
    PRIMARY KEY (session, position)
) STRICT, WITHOUT ROWID;

-- A zero or a calibration of one channel of a source. Applied on reading, never
-- to what is stored. It holds from (from_run, from_t_us). body: JSON.
CREATE TABLE calibration (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,
    run       INTEGER NOT NULL REFERENCES run (id),
    t_us      INTEGER NOT NULL,
    from_run  INTEGER NOT NULL REFERENCES run (id),
    from_t_us INTEGER NOT NULL,
    body      TEXT NOT NULL
) STRICT;

CREATE TABLE report (
    id       INTEGER PRIMARY KEY,
    session  INTEGER NOT NULL REFERENCES session (id),
    revision INTEGER NOT NULL,
    body     TEXT NOT NULL,
    UNIQUE (session, revision)
) STRICT;

CREATE TABLE marker (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES run (id),
    t_us    INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    source  TEXT,
    session INTEGER REFERENCES session (id),
    count   INTEGER NOT NULL,
    lines   TEXT NOT NULL,
    text    TEXT NOT NULL
) STRICT;

-- Finds markers by time, and makes writing the same one again do nothing.
CREATE UNIQUE INDEX marker_once
    ON marker (run, t_us, kind, ifnull(session, 0), source IS NULL, ifnull(source, ''), count, text);

CREATE INDEX marker_of_session ON marker (session) WHERE session IS NOT NULL;
