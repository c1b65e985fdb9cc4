"""What a session file looks like inside: tables, marks in the header, forward migrations.

``FORMAT.md`` says the same in prose, column by column, and a test holds the two together.
"""

APPLICATION_ID = 0x50_54_72_6C  # "PTrl" at offset 68 of the file
PAGE_SIZE = 4096
CHUNK_READINGS = 8192
CHUNK_AGE_US = 3_600_000_000
BLOCK = 128  # readings or samples summed up in one row of an envelope
PART_SAMPLES = 262_144

_FIRST = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

CREATE TABLE clock(
  id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, mono_ns INTEGER NOT NULL,
  wall_ns INTEGER NOT NULL, kind TEXT NOT NULL);

CREATE TABLE series(
  id INTEGER PRIMARY KEY, instrument TEXT NOT NULL, channel TEXT NOT NULL,
  quantity TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE(instrument, channel, quantity));

CREATE TABLE placement(
  id INTEGER PRIMARY KEY, instrument TEXT NOT NULL, channel TEXT NOT NULL, probe TEXT NOT NULL,
  quantity TEXT NOT NULL, point TEXT NOT NULL, leg TEXT NOT NULL, mode TEXT NOT NULL,
  condition TEXT NOT NULL, hypothesis TEXT NOT NULL, t0 INTEGER NOT NULL, t1 INTEGER,
  struck INTEGER NOT NULL DEFAULT 0, value REAL, uncertainty REAL,
  count INTEGER NOT NULL DEFAULT 0, flags INTEGER NOT NULL DEFAULT 0, judgement TEXT);

CREATE TABLE context(
  id INTEGER PRIMARY KEY, kind TEXT NOT NULL, value TEXT NOT NULL, t0 INTEGER NOT NULL, t1 INTEGER);

CREATE TABLE event(
  id INTEGER PRIMARY KEY, t INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL,
  data TEXT NOT NULL);

CREATE TABLE change(
  id INTEGER PRIMARY KEY, t INTEGER NOT NULL, target TEXT NOT NULL, row INTEGER NOT NULL,
  before TEXT NOT NULL, after TEXT NOT NULL, why TEXT NOT NULL);

CREATE TABLE tail(
  id INTEGER PRIMARY KEY, series INTEGER NOT NULL REFERENCES series, t0 INTEGER NOT NULL,
  t1 INTEGER NOT NULL, n INTEGER NOT NULL, body BLOB NOT NULL);
CREATE INDEX tail_by_time ON tail(series, t1);

CREATE TABLE chunk(
  id INTEGER PRIMARY KEY, series INTEGER NOT NULL REFERENCES series, t0 INTEGER NOT NULL,
  t1 INTEGER NOT NULL, n INTEGER NOT NULL, codec TEXT NOT NULL, vmin REAL, vmax REAL, vsum REAL,
  vfirst REAL, vlast REAL, env BLOB NOT NULL, tb BLOB NOT NULL, vb BLOB NOT NULL, fb BLOB NOT NULL,
  UNIQUE(series, t0, t1));

CREATE TABLE capture(
  id INTEGER PRIMARY KEY, t INTEGER NOT NULL, half_width_us INTEGER NOT NULL,
  instrument TEXT NOT NULL, channel TEXT NOT NULL, n INTEGER NOT NULL, dt REAL NOT NULL,
  scale REAL NOT NULL, offset REAL NOT NULL, lowest INTEGER NOT NULL, highest INTEGER NOT NULL,
  clipped INTEGER NOT NULL, coupling TEXT NOT NULL, rolling INTEGER NOT NULL, role TEXT NOT NULL,
  point TEXT NOT NULL, leg TEXT NOT NULL, mode TEXT NOT NULL, condition TEXT NOT NULL,
  event INTEGER, note TEXT NOT NULL);

CREATE TABLE wave(
  capture INTEGER NOT NULL REFERENCES capture, part INTEGER NOT NULL, n INTEGER NOT NULL,
  env BLOB NOT NULL, body BLOB NOT NULL, UNIQUE(capture, part));
"""

_LIMITS_OF_ERROR = """
CREATE TABLE setting(
  id INTEGER PRIMARY KEY, series INTEGER NOT NULL REFERENCES series, t INTEGER NOT NULL, range REAL,
  resolution REAL, integration_s REAL, percent_reading REAL, percent_range REAL);

ALTER TABLE placement ADD COLUMN limits REAL;
"""

# Tables are laid anew so that the checksums stand before the long columns: they are read without those.
_CHECKSUMS = """
CREATE TABLE sealed(
  id INTEGER PRIMARY KEY, series INTEGER NOT NULL REFERENCES series, t0 INTEGER NOT NULL,
  t1 INTEGER NOT NULL, first INTEGER NOT NULL, n INTEGER NOT NULL, codec TEXT NOT NULL, vmin REAL, vmax REAL,
  vsum REAL, vfirst REAL, vlast REAL, crc INTEGER, env_crc INTEGER, env BLOB NOT NULL, tb BLOB NOT NULL,
  vb BLOB NOT NULL, fb BLOB NOT NULL, UNIQUE(series, t0, t1));
INSERT INTO sealed SELECT id, series, t0, t1, sum(n) OVER (PARTITION BY series ORDER BY t0) - n, n, codec,
  vmin, vmax, vsum, vfirst, vlast, NULL, NULL, env, tb, vb, fb FROM chunk ORDER BY id;

CREATE TABLE unsealed(
  id INTEGER PRIMARY KEY, series INTEGER NOT NULL REFERENCES series, t0 INTEGER NOT NULL,
  t1 INTEGER NOT NULL, first INTEGER NOT NULL, n INTEGER NOT NULL, crc INTEGER, body BLOB NOT NULL);
INSERT INTO unsealed SELECT id, series, t0, t1, sum(n) OVER (PARTITION BY series ORDER BY t0) - n
  + (SELECT coalesce(sum(chunk.n), 0) FROM chunk WHERE chunk.series = tail.series), n, NULL, body FROM tail ORDER BY id;

CREATE TABLE samples(
  capture INTEGER NOT NULL REFERENCES capture, part INTEGER NOT NULL, n INTEGER NOT NULL,
  crc INTEGER, env_crc INTEGER, env BLOB NOT NULL, body BLOB NOT NULL, UNIQUE(capture, part));
INSERT INTO samples SELECT capture, part, n, NULL, NULL, env, body FROM wave ORDER BY capture, part;

DROP TABLE chunk; DROP TABLE tail; DROP TABLE wave;
ALTER TABLE sealed RENAME TO chunk;
ALTER TABLE unsealed RENAME TO tail;
ALTER TABLE samples RENAME TO wave;
CREATE INDEX tail_by_time ON tail(series, t1);

ALTER TABLE clock ADD COLUMN readings INTEGER;
ALTER TABLE change ADD COLUMN act INTEGER;
ALTER TABLE change ADD COLUMN undoes INTEGER;
UPDATE change SET act = id;
"""

_WHO = """
CREATE TABLE act(id INTEGER PRIMARY KEY, said_by TEXT NOT NULL);
"""

# Entry i takes a file from version i to i + 1; entries are never changed once released.
MIGRATIONS: tuple[str, ...] = (_FIRST, _LIMITS_OF_ERROR, _CHECKSUMS, _WHO)

# Entry i shows what migration i adds, empty, to readers of a file that no writer has brought up yet. Temporary
# tables and views of a connection hide those of the file, which stays as it is.
STAND_INS: tuple[str, ...] = (
    "",
    """
CREATE TEMP TABLE setting(
  id INTEGER PRIMARY KEY, series INTEGER, t INTEGER, range REAL,
  resolution REAL, integration_s REAL, percent_reading REAL, percent_range REAL);
CREATE TEMP VIEW placement AS SELECT *, NULL AS limits FROM main.placement;
""",
    """
CREATE TEMP VIEW chunk AS SELECT *, NULL AS first, NULL AS crc, NULL AS env_crc FROM main.chunk;
CREATE TEMP VIEW tail AS SELECT *, NULL AS first, NULL AS crc FROM main.tail;
CREATE TEMP VIEW wave AS SELECT *, NULL AS crc, NULL AS env_crc FROM main.wave;
CREATE TEMP VIEW clock AS SELECT *, NULL AS readings FROM main.clock;
CREATE TEMP VIEW change AS SELECT *, id AS act, NULL AS undoes FROM main.change;
""",
    "CREATE TEMP TABLE act(id INTEGER PRIMARY KEY, said_by TEXT);",
)

TABLES_WITH_IDS = (
    *("clock", "series", "placement", "context", "event", "change", "tail", "chunk", "capture"),
    "setting",
)
