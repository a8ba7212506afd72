-- Moves the times of one rise, or of all, from :from up to :before by :by milliseconds.
-- Keys that are times go through their negative: moved in place, a line could meet one
-- not yet moved.
UPDATE samples SET t_ms = -t_ms WHERE (:all OR rise_id = :id) AND t_ms >= :from AND t_ms < :before;
UPDATE OR REPLACE samples SET t_ms = :by - t_ms WHERE (:all OR rise_id = :id) AND t_ms < 0;
UPDATE forecasts SET at_ms = -at_ms, p10_ms = p10_ms + :by, median_ms = median_ms + :by, p90_ms = p90_ms + :by
 WHERE (:all OR rise_id = :id) AND at_ms >= :from AND at_ms < :before;
UPDATE OR REPLACE forecasts SET at_ms = :by - at_ms WHERE (:all OR rise_id = :id) AND at_ms < 0;
UPDATE rises SET started_ms = started_ms + :by WHERE (:all OR id = :id) AND started_ms >= :from AND started_ms < :before;
UPDATE rises SET ended_ms = ended_ms + :by WHERE (:all OR id = :id) AND ended_ms >= :from AND ended_ms < :before;
UPDATE rises SET reached_ms = reached_ms + :by WHERE (:all OR id = :id) AND reached_ms >= :from AND reached_ms < :before;
UPDATE rises SET peak_ms = peak_ms + :by WHERE (:all OR id = :id) AND peak_ms >= :from AND peak_ms < :before;
UPDATE rises SET phase_since_ms = phase_since_ms + :by WHERE (:all OR id = :id) AND phase_since_ms >= :from AND phase_since_ms < :before;
UPDATE events SET at_ms = at_ms + :by WHERE (:all OR rise_id = :id) AND at_ms >= :from AND at_ms < :before;
UPDATE events SET recorded_ms = recorded_ms + :by WHERE (:all OR rise_id = :id) AND recorded_ms >= :from AND recorded_ms < :before;
UPDATE photos SET at_ms = at_ms + :by WHERE (:all OR rise_id = :id) AND at_ms >= :from AND at_ms < :before;
