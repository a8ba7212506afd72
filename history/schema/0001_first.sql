-- Times: whole milliseconds since 1970, UTC. NULL means missing.
CREATE TABLE meta (
  key   TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE settings (
  key   TEXT PRIMARY KEY,
  value BLOB NOT NULL
) STRICT;

CREATE TABLE rises (
  id             INTEGER PRIMARY KEY AUTOINCREMENT,
  vessel         TEXT NOT NULL,
  holds          TEXT NOT NULL,
  started_ms     INTEGER NOT NULL,
  ended_ms       INTEGER,
  baseline_l     REAL,
  baseline_sd_l  REAL,
  target_percent REAL,
  reached_ms     INTEGER,
  peak_percent   REAL,
  peak_ms        INTEGER,
  mean_dough_c   REAL,
  max_rate       REAL,
  ceiling_percent REAL,
  phase          TEXT NOT NULL,
  phase_since_ms INTEGER,
  equiv_hours    REAL,
  peak_equiv_hours    REAL,
  reached_equiv_hours REAL,
  batch          BLOB,
  outcome        TEXT NOT NULL DEFAULT '' CHECK (outcome IN ('', 'under', 'right', 'over')),
  oven_spring    TEXT NOT NULL DEFAULT '',
  note           TEXT NOT NULL DEFAULT '',
  demo           INTEGER NOT NULL DEFAULT 0,
  imported       INTEGER NOT NULL DEFAULT 0,
  rolled         INTEGER NOT NULL DEFAULT 0, -- 1: roll-ups are complete
  thinned        INTEGER NOT NULL DEFAULT 0  -- 1: old samples were thinned
) STRICT;
CREATE INDEX rises_started ON rises (started_ms, id);
CREATE INDEX rises_vessel ON rises (vessel, started_ms, id);
CREATE INDEX rises_open ON rises (id) WHERE ended_ms IS NULL;

-- Samples, in thousandths of mm, C, percentage points and hours.
CREATE TABLE samples (
  rise_id     INTEGER NOT NULL,
  t_ms        INTEGER NOT NULL,
  distance_um INTEGER,
  dough_mc    INTEGER,
  air_mc      INTEGER,
  rise_mpct   INTEGER,
  sd_mpct     INTEGER,
  equiv_mh    INTEGER,
  rejected    TEXT,
  event       TEXT,
  PRIMARY KEY (rise_id, t_ms)
) STRICT, WITHOUT ROWID;

-- Roll-ups: one line per rise, width (300 or 3600 s) and bucket.
CREATE TABLE rollups (
  rise_id   INTEGER NOT NULL,
  span_s    INTEGER NOT NULL,
  t_ms      INTEGER NOT NULL, -- start of the bucket
  n         INTEGER NOT NULL,
  min_t_ms  INTEGER, -- when the lowest rise was seen
  min_mpct  INTEGER,
  max_t_ms  INTEGER,
  max_mpct  INTEGER,
  mean_mpct INTEGER,
  dough_mc  INTEGER, -- mean
  air_mc    INTEGER, -- mean
  equiv_mh  INTEGER, -- last in the bucket
  PRIMARY KEY (rise_id, span_s, t_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE forecasts (
  rise_id        INTEGER NOT NULL,
  at_ms          INTEGER NOT NULL,
  from_ms        INTEGER,
  median_ms      INTEGER,
  until_ms       INTEGER,
  rise_percent   REAL,
  target_percent REAL,
  reach_chance   REAL,
  ceiling_percent REAL,
  ceiling_low    REAL,
  ceiling_high   REAL,
  PRIMARY KEY (rise_id, at_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE acts (
  id      INTEGER PRIMARY KEY AUTOINCREMENT,
  rise_id INTEGER NOT NULL,
  at_ms   INTEGER NOT NULL,
  kind    TEXT NOT NULL,
  by_whom TEXT NOT NULL,
  data    TEXT,
  undone  INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX acts_rise ON acts (rise_id, at_ms, id);

CREATE TABLE processes (
  rise_id INTEGER PRIMARY KEY,
  body    BLOB NOT NULL
) STRICT;

CREATE TABLE alarms (
  id       TEXT PRIMARY KEY,
  rise_id  INTEGER NOT NULL,
  state    TEXT NOT NULL,
  since_ms INTEGER NOT NULL,
  body     TEXT NOT NULL -- the whole alarm, JSON
) STRICT;
CREATE INDEX alarms_open ON alarms (since_ms) WHERE state <> 'resolved';
CREATE INDEX alarms_rise ON alarms (rise_id, since_ms);

CREATE TABLE letters (
  id            TEXT PRIMARY KEY,
  alarm_id      TEXT NOT NULL,
  state         TEXT NOT NULL,
  created_ms    INTEGER NOT NULL,
  not_before_ms INTEGER NOT NULL,
  head          TEXT NOT NULL, -- the letter without its body, JSON
  body          BLOB
) STRICT;
CREATE INDEX letters_waiting ON letters (not_before_ms) WHERE state = 'waiting';
CREATE INDEX letters_alarm ON letters (alarm_id);

CREATE TABLE photos (
  id      INTEGER PRIMARY KEY AUTOINCREMENT,
  rise_id INTEGER NOT NULL,
  at_ms   INTEGER NOT NULL,
  type    TEXT NOT NULL,
  bytes   BLOB NOT NULL
) STRICT;
CREATE INDEX photos_rise ON photos (rise_id, id);
