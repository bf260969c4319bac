-- least: 1
-- An act is known by a key of the machine that posted it, so that one whose answer was lost is not
-- posted twice, and one that the engine forgot is missed. What two machines told each other goes
-- with the months of the records.

ALTER TABLE lapgate.acts ADD COLUMN key text; -- NULL for one of an older program
CREATE UNIQUE INDEX acts_by_key ON lapgate.acts (mill, key);

-- When a machine was there last, by the clock of the engine.
ALTER TABLE lapgate.machines ADD COLUMN seen timestamptz NOT NULL DEFAULT clock_timestamp();

CREATE FUNCTION lapgate.machine_seen() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
BEGIN
	NEW.seen := clock_timestamp();
	RETURN NEW;
END $$;
CREATE TRIGGER machine_seen BEFORE INSERT OR UPDATE ON lapgate.machines FOR EACH ROW EXECUTE FUNCTION lapgate.machine_seen();

-- drop_month removes the oldest month and keeps of each chain the head of what is gone, so that the rest proves itself.
-- With it go the acts that were answered, and the machines that were there last, up to its end. What nobody answered
-- stays, for its machine may come back; so do the leases, whose numbers never go back.
CREATE OR REPLACE FUNCTION lapgate.drop_month(old_month date) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp SET lock_timeout = '5s' AS $$
DECLARE
	name text := 'records_' || to_char(old_month, 'YYYY_MM');
	oldest date;
	until  timestamptz := (old_month + interval '1 month') AT TIME ZONE 'UTC';
BEGIN
	LOCK TABLE lapgate.months IN EXCLUSIVE MODE;
	SELECT min(month) INTO oldest FROM lapgate.months;
	IF old_month IS DISTINCT FROM oldest OR old_month >= date_trunc('month', now() AT TIME ZONE 'UTC') THEN
		RAISE EXCEPTION 'only the oldest month can be removed, which is %, and not the current one', oldest USING ERRCODE = 'LG008';
	END IF;
	UPDATE lapgate.journals j SET kept_after = last.seq, kept_hash = last.hash
		FROM lapgate.journals o CROSS JOIN LATERAL (
			SELECT r.seq, r.hash FROM lapgate.records r WHERE r.month = old_month AND r.journal = o.journal ORDER BY r.seq DESC LIMIT 1) last
		WHERE j.journal = o.journal;
	EXECUTE format('ALTER TABLE lapgate.records DETACH PARTITION lapgate.%I', name);
	EXECUTE format('DROP TABLE lapgate.%I', name);
	DELETE FROM lapgate.months m WHERE m.month = old_month;
	DELETE FROM lapgate.acts a WHERE a.answered_by IS NOT NULL AND a.posted < until;
	DELETE FROM lapgate.machines m WHERE m.seen < until;
END $$;

-- drop_mill removes all that is kept of one mill, as of a demonstration. Only the owner may.
CREATE FUNCTION lapgate.drop_mill(old_mill text) RETURNS bigint
LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	removed bigint;
BEGIN
	DELETE FROM lapgate.records r USING lapgate.journals j JOIN lapgate.lines l USING (line)
		WHERE r.journal = j.journal AND l.mill = old_mill;
	GET DIAGNOSTICS removed = ROW_COUNT;
	DELETE FROM lapgate.journals j USING lapgate.lines l WHERE j.line = l.line AND l.mill = old_mill;
	DELETE FROM lapgate.lines l WHERE l.mill = old_mill;
	DELETE FROM lapgate.leases l WHERE l.mill = old_mill;
	DELETE FROM lapgate.acts a WHERE a.mill = old_mill;
	DELETE FROM lapgate.machines m WHERE m.mill = old_mill;
	RETURN removed;
END $$;
REVOKE ALL ON FUNCTION lapgate.drop_mill(text), lapgate.machine_seen() FROM PUBLIC;
