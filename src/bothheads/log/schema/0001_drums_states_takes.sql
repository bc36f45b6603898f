-- Schema 1: drums, their states, and the takes of each state.
-- Times are ISO 8601 in UTC. JSON columns hold the objects of the command contract (docs/format.md).

CREATE TABLE drums (
  id         INTEGER PRIMARY KEY,
  uuid       TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name       TEXT NOT NULL CHECK (length(trim(name)) > 0),
  name_key   TEXT NOT NULL UNIQUE,                          -- the name without case, unique in a log
  drum       TEXT NOT NULL CHECK (json_valid(drum)),        -- tables of the drum file, SI keys
  toml       TEXT NOT NULL,                                 -- the drum file as it was written by hand
  added_at   TEXT NOT NULL CHECK (added_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T*'),
  changed_at TEXT NOT NULL CHECK (changed_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T*')
) STRICT;

CREATE TABLE drum_revisions (                               -- what stood there before a correction
  id          INTEGER PRIMARY KEY,
  drum_id     INTEGER NOT NULL REFERENCES drums (id),
  document    TEXT NOT NULL CHECK (json_valid(document)),   -- {name, drum, toml}
  changed_at  TEXT NOT NULL,                                -- when this version was written
  replaced_at TEXT NOT NULL,                                -- when it was put aside
  UNIQUE (drum_id, changed_at, document)
) STRICT;

CREATE TABLE states (
  id         INTEGER PRIMARY KEY,
  uuid       TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  drum_id    INTEGER NOT NULL REFERENCES drums (id),
  number     INTEGER NOT NULL CHECK (number >= 1),          -- counts from 1 on each drum
  made_at    TEXT NOT NULL CHECK (made_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T*'),
  follows    TEXT CHECK (follows IS NULL OR length(follows) = 36),  -- uuid of the state its turns start from
  place      TEXT NOT NULL DEFAULT '',
  remark     TEXT NOT NULL DEFAULT '',
  who        TEXT NOT NULL DEFAULT '',
  beater     TEXT NOT NULL DEFAULT '',
  settings   TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(settings)),
  changed_at TEXT NOT NULL,
  drum       TEXT NOT NULL CHECK (json_valid(drum)),
  reading    TEXT CHECK (reading IS NULL OR json_valid(reading)),
  fit        TEXT CHECK (fit IS NULL OR json_valid(fit)),
  UNIQUE (drum_id, number)
) STRICT;

CREATE TABLE turns (                                        -- since the state before, plus = tighter
  state_id INTEGER NOT NULL REFERENCES states (id),
  position INTEGER NOT NULL CHECK (position >= 0),
  head     TEXT NOT NULL CHECK (head IN ('batter', 'resonant')),
  rod      INTEGER CHECK (rod IS NULL OR rod >= 1),         -- NULL = all rods of the head
  turns    REAL NOT NULL,
  PRIMARY KEY (state_id, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE recordings (                                   -- files, written and synced before a row names them
  sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
  bytes  INTEGER NOT NULL CHECK (bytes >= 0)
) STRICT, WITHOUT ROWID;

CREATE TABLE takes (
  id             INTEGER PRIMARY KEY,
  uuid           TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  state_id       INTEGER NOT NULL REFERENCES states (id),
  position       INTEGER NOT NULL CHECK (position >= 0),
  sha256         TEXT NOT NULL REFERENCES recordings (sha256),
  channels       TEXT NOT NULL CHECK (json_valid(channels)),
  sample_rate_hz INTEGER NOT NULL CHECK (sample_rate_hz > 0),
  frames         INTEGER NOT NULL CHECK (frames >= 0),
  recorded_at    TEXT NOT NULL,
  source_name    TEXT NOT NULL DEFAULT '',
  UNIQUE (state_id, position)
) STRICT;

CREATE INDEX takes_of_recording ON takes (sha256);

CREATE TABLE state_revisions (                              -- what stood there before a correction
  id          INTEGER PRIMARY KEY,
  state_id    INTEGER NOT NULL REFERENCES states (id),
  document    TEXT NOT NULL CHECK (json_valid(document)),
  changed_at  TEXT NOT NULL,
  replaced_at TEXT NOT NULL,
  UNIQUE (state_id, changed_at, document)
) STRICT;

CREATE TABLE notes (                                        -- JSON documents beside a drum, or beside the log
  drum_id    INTEGER REFERENCES drums (id),                 -- NULL = belongs to no drum
  key        TEXT NOT NULL CHECK (length(key) > 0),
  document   TEXT NOT NULL CHECK (json_valid(document)),
  changed_at TEXT NOT NULL
) STRICT;

CREATE UNIQUE INDEX notes_by_key ON notes (ifnull(drum_id, 0), key);

CREATE TABLE kept (                                         -- a cache: may be emptied at any time
  key     TEXT PRIMARY KEY,
  kept_at TEXT NOT NULL,
  value   BLOB NOT NULL
) STRICT;
