-- Schema 2: quick listings, what happened to the heads, photographs, drums merged from other logs.

ALTER TABLE states ADD COLUMN note_hz REAL;
ALTER TABLE states ADD COLUMN note_name TEXT;
ALTER TABLE states ADD COLUMN t60_s REAL;
ALTER TABLE states ADD COLUMN batter_tension REAL;
ALTER TABLE states ADD COLUMN resonant_tension REAL;

UPDATE states SET
  note_hz          = CAST(json_extract(reading, '$.note.frequency_hz') AS REAL),
  note_name        = CAST(json_extract(reading, '$.note.name') AS TEXT),
  t60_s            = CAST(json_extract(reading, '$.note.t60_s') AS REAL),
  batter_tension   = CAST(json_extract(drum, '$.batter.tension') AS REAL),
  resonant_tension = CAST(json_extract(drum, '$.resonant.tension') AS REAL);

-- A listing is answered from this index alone: the rows with their readings are never touched.
CREATE INDEX states_listing ON states (
  drum_id, number, made_at, note_hz, note_name, t60_s, batter_tension, resonant_tension, place, remark
);

CREATE TABLE head_events (
  id          INTEGER PRIMARY KEY,
  uuid        TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  drum_id     INTEGER NOT NULL REFERENCES drums (id),
  head        TEXT NOT NULL CHECK (head IN ('batter', 'resonant')),
  what        TEXT NOT NULL CHECK (what IN ('fitted', 'played', 'fault', 'mended', 'taken off', 'checked')),
  happened_at TEXT NOT NULL CHECK (happened_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]*'),
  kind        TEXT NOT NULL DEFAULT '',                     -- type of the head, with 'fitted'
  hours       REAL CHECK (hours IS NULL OR hours >= 0),     -- played since it was fitted or since the last entry
  words       TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE INDEX head_events_of_drum ON head_events (drum_id, happened_at);

CREATE TABLE photographs (
  id       INTEGER PRIMARY KEY,
  uuid     TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  drum_id  INTEGER NOT NULL REFERENCES drums (id),
  state_id INTEGER REFERENCES states (id),                  -- NULL = of the drum, not of one state
  sha256   TEXT NOT NULL CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
  bytes    INTEGER NOT NULL CHECK (bytes >= 0),
  name     TEXT NOT NULL,
  words    TEXT NOT NULL DEFAULT '',
  taken_at TEXT NOT NULL
) STRICT;

CREATE INDEX photographs_of_drum ON photographs (drum_id);
CREATE INDEX photographs_of_file ON photographs (sha256);

CREATE TABLE drum_aliases (                                 -- the same drum in another person's log
  uuid    TEXT PRIMARY KEY CHECK (length(uuid) = 36),
  drum_id INTEGER NOT NULL REFERENCES drums (id)
) STRICT, WITHOUT ROWID;
