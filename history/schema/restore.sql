-- Brings the past of a checked copy of a backup, attached as "past", into the history, in
-- a transaction. What belongs to the watch of today stays: :since is the moment (ms) from
-- which on a rise that ended belongs to it, and :prefixes are those of settings that come
-- from the backup nevertheless, as JSON.
CREATE TEMP TABLE today AS SELECT id, vessel, started_ms FROM main.rises WHERE ended_ms IS NULL OR ended_ms > :since;
CREATE TEMP TABLE past_settings AS SELECT key FROM (SELECT key FROM main.settings UNION SELECT key FROM past.settings) AS s
 WHERE EXISTS (SELECT 1 FROM json_each(:prefixes) AS p WHERE substr(s.key, 1, length(p.value)) = p.value);

-- What was under way when the backup was made ends: its rises at their last sample,
-- its warnings, and its messages, which nobody wants any more.
UPDATE past.rises SET phase = 'ended', ended_ms = max(started_ms, coalesce((SELECT max(t_ms) FROM past.samples WHERE rise_id = rises.id), started_ms))
 WHERE ended_ms IS NULL;
UPDATE past.alarms SET state = 'resolved', body = json_set(body, '$.State', 'resolved', '$.ResolvedAt', json_extract(body, '$.Since')) WHERE state <> 'resolved';
UPDATE past.notifications SET state = 'withdrawn', head = json_set(head, '$.State', 'withdrawn') WHERE state = 'waiting';

-- The rises of today keep their numbers. The backup's copies of them go, and its other
-- rises that have one of these numbers get another.
CREATE TEMP TABLE copies AS SELECT r.id FROM past.rises AS r JOIN today USING (vessel, started_ms);
CREATE TEMP TABLE gap AS SELECT 1000 + max((SELECT coalesce(max(id), 0) FROM main.rises), (SELECT coalesce(max(id), 0) FROM past.rises)) AS n;
DELETE FROM past.notifications WHERE alarm_id IN (SELECT id FROM past.alarms WHERE rise_id IN (SELECT id FROM copies));
DELETE FROM past.samples WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM past.forecasts WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM past.events WHERE rise_id IN (SELECT id FROM copies) OR rise_id IS NULL AND at_ms > :since;
DELETE FROM past.photos WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM past.alarms WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM past.rises WHERE id IN (SELECT id FROM copies);
UPDATE past.samples SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE past.forecasts SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE past.events SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE past.photos SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE past.alarms SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE past.rises SET id = id + (SELECT n FROM gap) WHERE id IN (SELECT id FROM today);

-- What is not of today goes.
DELETE FROM main.settings WHERE key IN (SELECT key FROM past_settings);
DELETE FROM main.alarms WHERE state = 'resolved' AND rise_id NOT IN (SELECT id FROM today);
DELETE FROM main.notifications WHERE alarm_id NOT IN (SELECT id FROM main.alarms);
DELETE FROM main.events WHERE CASE WHEN rise_id IS NULL THEN at_ms <= :since ELSE rise_id NOT IN (SELECT id FROM today) END;
DELETE FROM main.samples WHERE rise_id NOT IN (SELECT id FROM today);
DELETE FROM main.forecasts WHERE rise_id NOT IN (SELECT id FROM today);
DELETE FROM main.photos WHERE rise_id NOT IN (SELECT id FROM today);
DELETE FROM main.rises WHERE id NOT IN (SELECT id FROM today);

-- What is left of the backup comes. Events and pictures get numbers of their own beside
-- those of today.
INSERT INTO main.settings SELECT * FROM past.settings WHERE key IN (SELECT key FROM past_settings);
INSERT INTO main.rises SELECT * FROM past.rises;
INSERT INTO main.samples SELECT * FROM past.samples;
INSERT INTO main.forecasts SELECT * FROM past.forecasts;
INSERT INTO main.events (rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms)
 SELECT rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms FROM past.events ORDER BY id;
INSERT INTO main.photos (rise_id, at_ms, type, bytes)
 SELECT rise_id, at_ms, type, bytes FROM past.photos ORDER BY id;
INSERT OR IGNORE INTO main.alarms SELECT * FROM past.alarms;
INSERT OR IGNORE INTO main.notifications SELECT * FROM past.notifications;
DROP TABLE temp.today;
DROP TABLE temp.past_settings;
DROP TABLE temp.copies;
DROP TABLE temp.gap;
