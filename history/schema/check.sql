-- One line for something that tidemark would not have written: a name with characters
-- that cannot be seen or that change the direction of writing, a moment outside of
-- 1970 to 2200, a picture of another kind, a text that is not JSON.
WITH names(what, name) AS (
  SELECT 'rise', vessel FROM rises
  UNION ALL SELECT 'event', vessel FROM events
  UNION ALL SELECT 'event', kind FROM events
  UNION ALL SELECT 'event', by_whom FROM events
), moments(what, ms) AS (
  SELECT 'rises', started_ms FROM rises
  UNION ALL SELECT 'rises', ended_ms FROM rises
  UNION ALL SELECT 'rises', reached_ms FROM rises
  UNION ALL SELECT 'rises', peak_ms FROM rises
  UNION ALL SELECT 'rises', phase_since_ms FROM rises
  UNION ALL SELECT 'samples', t_ms FROM samples
  UNION ALL SELECT 'events', at_ms FROM events
  UNION ALL SELECT 'events', recorded_ms FROM events
  UNION ALL SELECT 'events', undone_ms FROM events
  UNION ALL SELECT 'photos', at_ms FROM photos
), bodies(what, body) AS (
  SELECT 'events', body FROM events
  UNION ALL SELECT 'alarms', body FROM alarms
  UNION ALL SELECT 'notifications', head FROM notifications
)
-- C0 and C1 controls; U+200B..200F, U+2028..202E, U+2060..206F, U+FEFF.
SELECT 'the name of a ' || what || ' holds characters that cannot be seen or is too long' FROM names
 WHERE name GLOB '*[' || char(1) || '-' || char(31) || char(127) || '-' || char(159) || char(0x200b) || '-' || char(0x200f)
  || char(0x2028) || '-' || char(0x202e) || char(0x2060) || '-' || char(0x206f) || char(0xfeff) || ']*'
  OR length(name) > 200 OR instr(name, char(0)) > 0
UNION ALL SELECT 'a moment in the ' || what || ' lies outside of 1970 to 2200' FROM moments WHERE ms NOT BETWEEN 0 AND 7258118400000
UNION ALL SELECT 'a rise has no number' FROM rises WHERE id NOT BETWEEN 1 AND 1000000000
UNION ALL SELECT 'an event has no number' FROM events WHERE id NOT BETWEEN 1 AND 1000000000000
UNION ALL SELECT 'a rise ends before it starts' FROM rises WHERE ended_ms < started_ms
UNION ALL SELECT 'a rise holds neither dough nor starter' FROM rises WHERE holds NOT IN ('', 'dough', 'starter')
UNION ALL SELECT 'a picture is none' FROM photos WHERE type NOT IN ('image/jpeg', 'image/png')
UNION ALL SELECT 'a record in the ' || what || ' cannot be read' FROM bodies WHERE body IS NOT NULL AND NOT json_valid(body)
LIMIT 1;
