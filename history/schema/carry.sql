-- Run on a staged history with the present one attached as "present": what belongs to
-- the watch of today is carried over. meta holds under "carry" the prefixes of settings
-- that come from the backup, as JSON, and under "carry_since" the moment (ms) from
-- which on a rise that ended belongs to today. Run twice, it changes nothing more.
BEGIN IMMEDIATE;

-- What was under way when the backup was made ends: its rises at their last sample,
-- its warnings, and its messages, which nobody wants any more.
UPDATE rises SET phase = 'ended', ended_ms = max(started_ms, coalesce((SELECT max(t_ms) FROM samples WHERE rise_id = rises.id), started_ms))
 WHERE ended_ms IS NULL;
UPDATE alarms SET state = 'resolved', body = json_set(body, '$.State', 'resolved', '$.ResolvedAt', json_extract(body, '$.Since')) WHERE state <> 'resolved';
UPDATE notifications SET state = 'withdrawn', head = json_set(head, '$.State', 'withdrawn') WHERE state = 'waiting';

CREATE TEMP TABLE past_settings AS SELECT key FROM (SELECT key FROM main.settings UNION SELECT key FROM present.settings) AS s
 WHERE EXISTS (SELECT 1 FROM json_each((SELECT value FROM main.meta WHERE key = 'carry')) AS p WHERE substr(s.key, 1, length(p.value)) = p.value);
DELETE FROM main.settings WHERE key NOT IN (SELECT key FROM past_settings);
INSERT INTO main.settings SELECT * FROM present.settings WHERE key NOT IN (SELECT key FROM past_settings);

-- The rises of today come under their numbers. The backup's copies of them go, and
-- its other rises that have one of these numbers get another.
CREATE TEMP TABLE today AS SELECT id, vessel, started_ms FROM present.rises
 WHERE ended_ms IS NULL OR ended_ms > CAST((SELECT value FROM main.meta WHERE key = 'carry_since') AS INTEGER);
CREATE TEMP TABLE copies AS SELECT r.id FROM main.rises AS r JOIN today USING (vessel, started_ms);
CREATE TEMP TABLE gap AS SELECT coalesce(max(seq), 0) + 1000 AS n FROM main.sqlite_sequence WHERE name = 'rises';
DELETE FROM main.notifications WHERE alarm_id IN (SELECT id FROM main.alarms WHERE rise_id IN (SELECT id FROM copies));
DELETE FROM main.samples WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM main.forecasts WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM main.events WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM main.photos WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM main.alarms WHERE rise_id IN (SELECT id FROM copies);
DELETE FROM main.rises WHERE id IN (SELECT id FROM copies);
UPDATE main.samples SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE main.forecasts SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE main.events SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE main.photos SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE main.alarms SET rise_id = rise_id + (SELECT n FROM gap) WHERE rise_id IN (SELECT id FROM today);
UPDATE main.rises SET id = id + (SELECT n FROM gap) WHERE id IN (SELECT id FROM today);

INSERT INTO main.rises SELECT * FROM present.rises WHERE id IN (SELECT id FROM today);
INSERT INTO main.samples SELECT * FROM present.samples WHERE rise_id IN (SELECT id FROM today);
INSERT INTO main.forecasts SELECT * FROM present.forecasts WHERE rise_id IN (SELECT id FROM today);
-- Events and pictures get numbers of their own.
INSERT INTO main.events (rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms)
 SELECT rise_id, vessel, at_ms, recorded_ms, by_whom, kind, body, undone_ms FROM present.events WHERE rise_id IN (SELECT id FROM today) ORDER BY id;
INSERT INTO main.photos (rise_id, at_ms, type, bytes)
 SELECT rise_id, at_ms, type, bytes FROM present.photos WHERE rise_id IN (SELECT id FROM today) ORDER BY id;
CREATE TEMP TABLE warnings AS SELECT id FROM present.alarms WHERE state <> 'resolved' OR rise_id IN (SELECT id FROM today);
INSERT OR REPLACE INTO main.alarms SELECT * FROM present.alarms WHERE id IN (SELECT id FROM warnings);
INSERT OR REPLACE INTO main.notifications SELECT * FROM present.notifications WHERE alarm_id IN (SELECT id FROM warnings);
COMMIT;
