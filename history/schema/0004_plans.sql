-- A plan that a vessel follows is an event of its journal.
INSERT INTO events (vessel, at_ms, recorded_ms, by_whom, kind, body)
 SELECT substr(key, 6), at_ms, at_ms, 'page', 'plan', json_object('plan', json(plan))
 FROM (SELECT key, CAST(value AS TEXT) AS plan, unixepoch(json_extract(CAST(value AS TEXT), '$.adopted')) * 1000 AS at_ms
  FROM settings WHERE key LIKE 'plan/%' AND json_valid(CAST(value AS TEXT))) WHERE at_ms IS NOT NULL;
DELETE FROM settings WHERE key LIKE 'plan/%';
