-- The journal: what a person, a plan or the program did or saw, beside the samples.
-- An event that was undone stays, marked.
CREATE TABLE events (
  id          INTEGER PRIMARY KEY AUTOINCREMENT,
  rise_id     INTEGER,          -- NULL: of no rise
  vessel      TEXT NOT NULL,    -- empty: of no vessel
  at_ms       INTEGER NOT NULL, -- when it happened
  recorded_ms INTEGER NOT NULL, -- when it was said
  by_whom     TEXT NOT NULL,
  kind        TEXT NOT NULL,
  body        TEXT,             -- JSON
  undone_ms   INTEGER           -- NULL: it counts
) STRICT;
INSERT INTO events (id, rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms)
 SELECT id, nullif(rise_id, 0), coalesce((SELECT vessel FROM rises WHERE rises.id = acts.rise_id), ''),
  at_ms, at_ms, by_whom, kind, data, CASE undone WHEN 0 THEN NULL ELSE at_ms END FROM acts;
DROP TABLE acts;
CREATE INDEX events_rise ON events (rise_id, at_ms, id);
CREATE INDEX events_vessel ON events (vessel, at_ms, id);

-- What was forecast when: the moment the dough is ready, median and 10 % and 90 %.
CREATE TABLE forecast (
  rise_id   INTEGER NOT NULL,
  at_ms     INTEGER NOT NULL,
  p10_ms    INTEGER,
  median_ms INTEGER,
  p90_ms    INTEGER,
  PRIMARY KEY (rise_id, at_ms)
) STRICT, WITHOUT ROWID;
INSERT INTO forecast SELECT rise_id, at_ms, from_ms, median_ms, until_ms FROM forecasts;
DROP TABLE forecasts;
ALTER TABLE forecast RENAME TO forecasts;

DROP INDEX letters_waiting;
DROP INDEX letters_alarm;
ALTER TABLE letters RENAME TO notifications;
CREATE INDEX notifications_waiting ON notifications (not_before_ms) WHERE state = 'waiting';
CREATE INDEX notifications_alarm ON notifications (alarm_id);

DROP TABLE rollups;
ALTER TABLE rises DROP COLUMN rolled;
