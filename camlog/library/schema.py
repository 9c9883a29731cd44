"""The tables of the library file, as each version made them of the one before; `words_of` is a function of `store`."""

# From each version to the next; the first makes an empty library.
MIGRATIONS = (
    """
    CREATE TABLE recording (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, file TEXT NOT NULL, added_at TEXT NOT NULL,
        kind TEXT NOT NULL DEFAULT '', vehicle TEXT NOT NULL DEFAULT '', started_at TEXT, duration_s REAL,
        mileage_km REAL, outcome TEXT NOT NULL DEFAULT '', known_good INTEGER NOT NULL DEFAULT 0,
        known_good_by TEXT NOT NULL DEFAULT '', known_good_at TEXT, known_good_why TEXT NOT NULL DEFAULT '',
        codes TEXT NOT NULL DEFAULT '[]');
    CREATE INDEX recording_kind ON recording (kind, known_good);
    CREATE INDEX recording_vehicle ON recording (vehicle, started_at);
    CREATE TABLE cam (
        recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE, cam TEXT NOT NULL, condition TEXT NOT NULL,
        confidence REAL NOT NULL, probabilities TEXT NOT NULL, PRIMARY KEY (recording, cam)) WITHOUT ROWID;
    CREATE TABLE figure (
        recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE, cam TEXT NOT NULL, figure TEXT NOT NULL,
        part TEXT NOT NULL, oil TEXT NOT NULL, value REAL NOT NULL, low REAL, high REAL, amount REAL NOT NULL,
        PRIMARY KEY (recording, cam, figure, part, oil)) WITHOUT ROWID;
    CREATE INDEX figure_by_name ON figure (figure, cam, oil);
    """,
    # The newest, and those with some words in them, are found without reading every row.
    """
    DROP INDEX figure_by_name;
    CREATE INDEX recording_when ON recording (COALESCE(started_at, added_at), id);
    CREATE INDEX cam_condition ON cam (condition, recording);
    CREATE VIRTUAL TABLE words USING fts5(text, tokenize = trigram);
    INSERT INTO words (rowid, text) SELECT id, file || ' ' || vehicle || ' ' || kind || ' ' || outcome || ' ' || codes || ' ' || COALESCE(known, '') FROM (
        SELECT *, (SELECT group_concat(cam || ' ' || condition, ' ') FROM cam WHERE recording = id) AS known FROM recording);
    """,
    # Words are looked up by how they begin, the rarest first; kinds and cars are read newest first.
    """
    ALTER TABLE recording ADD COLUMN text TEXT NOT NULL DEFAULT '';
    UPDATE recording SET text = lower(COALESCE((SELECT text FROM words WHERE rowid = id), ''));
    DROP TABLE words;
    CREATE TABLE word (
        word TEXT NOT NULL, recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE, PRIMARY KEY (word, recording)) WITHOUT ROWID;
    INSERT INTO word SELECT value, recording.id FROM recording, json_each(words_of(text));
    CREATE INDEX word_recording ON word (recording);
    DROP INDEX recording_kind;
    CREATE INDEX recording_kind ON recording (kind, COALESCE(started_at, added_at), id);
    CREATE INDEX recording_good ON recording (kind, known_good, COALESCE(started_at, added_at), id);
    CREATE INDEX recording_car ON recording (vehicle, COALESCE(started_at, added_at), id);
    """,
    # A verdict of a kind is found in one place, and the known-good of all kinds are, newest first.
    """
    ALTER TABLE cam ADD COLUMN kind TEXT NOT NULL DEFAULT '';
    UPDATE cam SET kind = (SELECT kind FROM recording WHERE id = cam.recording);
    DROP INDEX cam_condition;
    CREATE INDEX cam_condition ON cam (condition, kind, recording);
    CREATE INDEX recording_all_good ON recording (known_good, COALESCE(started_at, added_at), id);
    """,
)
