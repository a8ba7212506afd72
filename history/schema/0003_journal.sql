-- The steps of a rise follow from its journal. A notification waits by its own moment.
DROP TABLE processes;
DROP INDEX notifications_waiting;
ALTER TABLE notifications DROP COLUMN not_before_ms;
CREATE INDEX notifications_waiting ON notifications (created_ms) WHERE state = 'waiting';
