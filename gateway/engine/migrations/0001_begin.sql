-- least: 1
-- The mill's record: the chains of all journals, and the lease of each line. Everything stands in the
-- schema lapgate and is named with it; no search path decides what a statement means.

-- A wrapping line of a mill.
CREATE TABLE lapgate.lines (
	line integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
	mill text NOT NULL,
	name text NOT NULL,
	UNIQUE (mill, name)
);

-- A journal: one chain of records, which one machine writes. It is named by the hash of its first record,
-- for a line has several: that of each machine, and those that were set aside. seq and hash are its head here.
CREATE TABLE lapgate.journals (
	journal    integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
	genesis    bytea NOT NULL UNIQUE CHECK (octet_length(genesis) = 32),
	line       integer NOT NULL REFERENCES lapgate.lines,
	machine    text NOT NULL,
	registered timestamptz NOT NULL DEFAULT now(),
	seq        bigint NOT NULL,
	hash       bytea NOT NULL CHECK (octet_length(hash) = 32),
	month      date,        -- in which the newest record is kept; NULL before the first
	arrived    timestamptz, -- the newest record, by the clock of this server
	kept_after bigint NOT NULL, -- records up to this one were removed, or never came
	kept_hash  bytea NOT NULL CHECK (octet_length(kept_hash) = 32)
) WITH (fillfactor = 50);

-- The months in which records are kept, made ahead. Whoever appends holds it against the removal of a month.
CREATE TABLE lapgate.months (month date PRIMARY KEY CHECK (extract(day FROM month) = 1));

-- The records. body is the exact text over which hash was taken: a type that knows JSON would change it.
-- tag, verdict and reason repeat the body for searching. The month of a record is that of its time, but never
-- one before that of the record before it, nor one that is not kept: so a month is a stretch of each chain.
CREATE TABLE lapgate.records (
	seq     bigint NOT NULL,
	at      timestamptz NOT NULL, -- by the clock of the machine that wrote it
	roll_no bigint NOT NULL,      -- 0 for none
	journal integer NOT NULL,
	line    integer NOT NULL,
	month   date NOT NULL,
	kind    text NOT NULL,
	tag     text,    -- of the roll, in REQUEST, INTENT and SHADOW
	verdict text,    -- of the controller, in VERDICT
	reason  text,    -- of a hold in INTENT, of a rejection in VERDICT
	body    text NOT NULL,
	before  bytea NOT NULL, -- hash of the record before it
	hash    bytea NOT NULL
) PARTITION BY LIST (month);
CREATE INDEX records_in_order ON lapgate.records (journal, seq);
CREATE INDEX records_by_roll ON lapgate.records (journal, roll_no) WHERE roll_no <> 0;
CREATE INDEX records_by_tag ON lapgate.records (tag) WHERE tag IS NOT NULL;
CREATE INDEX records_by_time ON lapgate.records (line, at);
CREATE INDEX records_held ON lapgate.records (at, line, reason) WHERE kind = 'INTENT' AND reason IS NOT NULL;

-- Who acts on a line. The number only grows: a standby that takes the lease raises it.
CREATE TABLE lapgate.leases (
	mill     text NOT NULL,
	line     text NOT NULL,
	number   bigint NOT NULL CHECK (number BETWEEN 1 AND 4294967295),
	beat     bigint NOT NULL,
	instance text NOT NULL, -- random for each start of a daemon; empty when it was let go
	ttl_ms   bigint NOT NULL CHECK (ttl_ms > 0),
	taken    timestamptz NOT NULL DEFAULT now(),
	PRIMARY KEY (mill, line)
) WITH (fillfactor = 10);

CREATE FUNCTION lapgate.lease_number_grows() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
BEGIN
	IF NEW.number < OLD.number OR NEW.mill <> OLD.mill OR NEW.line <> OLD.line THEN
		RAISE EXCEPTION 'the lease of line % has number %, and it never goes back', OLD.line, OLD.number USING ERRCODE = 'LG006';
	END IF;
	RETURN NEW;
END $$;
CREATE TRIGGER lease_number_grows BEFORE UPDATE ON lapgate.leases FOR EACH ROW EXECUTE FUNCTION lapgate.lease_number_grows();

-- Microseconds since 1970 UTC, exact over all years, as a time and back.
CREATE FUNCTION lapgate.moment(micros bigint) RETURNS timestamptz LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
	SELECT (timestamp '1970-01-01' + (micros / 86400000000)::integer * interval '1 day' + (micros % 86400000000) * interval '1 microsecond') AT TIME ZONE 'UTC'
$$;
CREATE FUNCTION lapgate.micros(moment timestamptz) RETURNS bigint LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
	SELECT (extract(epoch FROM moment) * 1000000)::bigint
$$;

-- The hash of a record over the one before it, as the journal of the machine takes it.
CREATE FUNCTION lapgate.link(before bytea, seq bigint, micros bigint, kind text, body text) RETURNS bytea LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
	SELECT sha256(before || int8send(seq) || int8send(micros)
		|| int4send(octet_length(kind)) || convert_to(kind, 'UTF8') || int4send(octet_length(body)) || convert_to(body, 'UTF8'))
$$;

CREATE FUNCTION lapgate.make_month(new_month date) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	name text := 'records_' || to_char(new_month, 'YYYY_MM');
BEGIN
	-- Attaching a table that is there already locks out nobody who reads or appends.
	EXECUTE format('CREATE TABLE lapgate.%I (LIKE lapgate.records)', name);
	EXECUTE format('ALTER TABLE lapgate.%I ADD CONSTRAINT one_month CHECK (month = %L)', name, new_month);
	EXECUTE format('ALTER TABLE lapgate.records ATTACH PARTITION lapgate.%I FOR VALUES IN (%L)', name, new_month);
	EXECUTE format('ALTER TABLE lapgate.%I DROP CONSTRAINT one_month', name);
	INSERT INTO lapgate.months VALUES (new_month);
END $$;

-- The months up to the one after this are made. One call makes one at most: a clock that is wrong makes no hundreds.
CREATE FUNCTION lapgate.make_months_ahead() RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	ahead  date := (date_trunc('month', now() AT TIME ZONE 'UTC') + interval '1 month')::date;
	newest date;
BEGIN
	SELECT max(month) INTO newest FROM lapgate.months;
	IF newest >= ahead THEN
		RETURN;
	END IF;
	PERFORM pg_advisory_xact_lock(1818325095, 2);
	SELECT max(month) INTO newest FROM lapgate.months;
	IF newest IS NULL THEN
		PERFORM lapgate.make_month((ahead - interval '1 month')::date);
	ELSIF newest < ahead THEN
		PERFORM lapgate.make_month((newest + interval '1 month')::date);
	END IF;
END $$;

-- register begins the chain of a journal, after a record where those before are gone, and tells its head here.
CREATE FUNCTION lapgate.register(of_journal bytea, in_mill text, of_line text, on_machine text, after_seq bigint, after_hash bytea,
	OUT head_seq bigint, OUT head_hash bytea)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	here record;
BEGIN
	INSERT INTO lapgate.lines (mill, name) VALUES (in_mill, of_line) ON CONFLICT DO NOTHING;
	INSERT INTO lapgate.journals (genesis, line, machine, seq, hash, kept_after, kept_hash)
		SELECT of_journal, l.line, on_machine, after_seq, after_hash, after_seq, after_hash
		FROM lapgate.lines l WHERE l.mill = in_mill AND l.name = of_line
		ON CONFLICT DO NOTHING;
	SELECT l.mill, l.name, j.machine, j.seq, j.hash INTO STRICT here
		FROM lapgate.journals j JOIN lapgate.lines l USING (line) WHERE j.genesis = of_journal;
	IF (here.mill, here.name, here.machine) IS DISTINCT FROM (in_mill, of_line, on_machine) THEN
		RAISE EXCEPTION 'the journal is registered for line % of mill "%" on machine %', here.name, here.mill, here.machine USING ERRCODE = 'LG005';
	END IF;
	head_seq := here.seq;
	head_hash := here.hash;
END $$;

-- append is the only way in. It takes what follows the head, or repeats it, and proves every record by its hash.
--   LG001  records are missing between the head and the first one
--   LG002  the chain given is another one than the chain here
--   LG003  a record does not give its hash
--   LG004  no such journal is registered
--   LG007  the arguments do not go with each other
CREATE FUNCTION lapgate.append(of_journal bytea, first_seq bigint, before_first bytea,
	micros bigint[], kinds text[], rolls bigint[], tags text[], verdicts text[], reasons text[], bodies text[], hashes bytea[],
	OUT head_seq bigint, OUT head_hash bytea)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	here   lapgate.journals;
	n      integer := cardinality(hashes);
	known  bigint; -- of the records given, how many are here already
	meets  bytea;  -- hash given of the newest of them, or of the record before all
	kept   bytea;  -- the same record here
	bad    bigint;
	oldest date;
	newest date;
	top    date; -- month of the newest record
BEGIN
	IF n IS NULL OR n = 0 OR n > 10000 OR first_seq IS NULL OR first_seq < 1 OR octet_length(before_first) IS DISTINCT FROM 32
		OR (cardinality(micros), cardinality(kinds), cardinality(rolls), cardinality(tags), cardinality(verdicts), cardinality(reasons), cardinality(bodies))
			IS DISTINCT FROM (n, n, n, n, n, n, n)
		OR array_ndims(hashes) <> 1 OR array_position(micros, NULL) IS NOT NULL OR array_position(rolls, NULL) IS NOT NULL THEN
		RAISE EXCEPTION 'want 1 to 10000 records from number 1 on, each with all its columns' USING ERRCODE = 'LG007';
	END IF;
	LOCK TABLE lapgate.months IN ROW SHARE MODE;
	SELECT * INTO here FROM lapgate.journals j WHERE j.genesis = of_journal FOR NO KEY UPDATE;
	IF NOT FOUND THEN
		RAISE EXCEPTION 'no journal % is registered', encode(of_journal, 'hex') USING ERRCODE = 'LG004';
	END IF;
	IF first_seq > here.seq + 1 THEN
		RAISE EXCEPTION 'records % to % are missing', here.seq + 1, first_seq - 1 USING ERRCODE = 'LG001';
	END IF;

	SELECT min(u.seq) INTO bad FROM (
		SELECT first_seq + g.i - 1 AS seq, g.hash,
			lapgate.link(lag(g.hash, 1, before_first) OVER (ORDER BY g.i), first_seq + g.i - 1, g.at, g.kind, g.body) AS should
		FROM unnest(micros, kinds, bodies, hashes) WITH ORDINALITY g (at, kind, body, hash, i)) u
		WHERE u.hash IS DISTINCT FROM u.should;
	IF bad IS NOT NULL THEN
		RAISE EXCEPTION 'record % does not give its hash', bad USING ERRCODE = 'LG003';
	END IF;

	-- A hash stands for all before it, so one record of both chains tells whether they are one.
	known := least(n, here.seq - first_seq + 1);
	meets := CASE WHEN known = 0 THEN before_first ELSE hashes[known] END;
	bad := first_seq + known - 1;
	IF bad = here.seq THEN
		kept := here.hash;
	ELSIF bad = here.kept_after THEN
		kept := here.kept_hash;
	ELSIF bad > here.kept_after THEN
		SELECT r.hash INTO kept FROM lapgate.records r WHERE r.journal = here.journal AND r.seq = bad;
	ELSE
		kept := meets; -- of a month that was removed
	END IF;
	IF meets IS DISTINCT FROM kept OR first_seq = 1 AND hashes[1] <> of_journal THEN
		RAISE EXCEPTION 'record % is another one here', bad USING ERRCODE = 'LG002';
	END IF;

	IF known < n THEN
		PERFORM lapgate.make_months_ahead();
		SELECT min(m.month), max(m.month) INTO oldest, newest FROM lapgate.months m;
		INSERT INTO lapgate.records (seq, at, roll_no, journal, line, month, kind, tag, verdict, reason, body, before, hash)
			SELECT first_seq + known + g.i - 1, lapgate.moment(g.at), g.roll, here.journal, here.line,
				greatest(here.month, oldest, least(newest, date_trunc('month', max(lapgate.moment(g.at)) OVER (ORDER BY g.i) AT TIME ZONE 'UTC')::date)),
				g.kind, g.tag, g.verdict, g.reason, g.body, lag(g.hash, 1, meets) OVER (ORDER BY g.i), g.hash
			FROM unnest(micros[known + 1:], kinds[known + 1:], rolls[known + 1:], tags[known + 1:], verdicts[known + 1:], reasons[known + 1:],
				bodies[known + 1:], hashes[known + 1:]) WITH ORDINALITY g (at, kind, roll, tag, verdict, reason, body, hash, i);
		SELECT greatest(here.month, oldest, least(newest, date_trunc('month', max(lapgate.moment(a)) AT TIME ZONE 'UTC')::date))
			INTO top FROM unnest(micros[known + 1:]) a;
		UPDATE lapgate.journals j SET seq = first_seq + n - 1, hash = hashes[n], arrived = clock_timestamp(), month = top
			WHERE j.journal = here.journal
			RETURNING j.seq, j.hash INTO here.seq, here.hash;
	END IF;
	head_seq := here.seq;
	head_hash := here.hash;
END $$;

-- heads tells the journals of a line, or of all, and how far each is here.
CREATE FUNCTION lapgate.heads(in_mill text, of_line text)
RETURNS TABLE (genesis bytea, mill text, line text, machine text, registered timestamptz, seq bigint, hash bytea, arrived timestamptz, kept_after bigint, kept_hash bytea)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
	SELECT j.genesis, l.mill, l.name, j.machine, j.registered, j.seq, j.hash, j.arrived, j.kept_after, j.kept_hash
	FROM lapgate.journals j JOIN lapgate.lines l USING (line)
	WHERE (in_mill IS NULL OR l.mill = in_mill) AND (of_line IS NULL OR l.name = of_line)
	ORDER BY l.mill, l.name, j.registered, j.journal
$$;

-- drop_month removes the oldest month and keeps of each chain the head of what is gone, so that the rest proves itself.
CREATE FUNCTION lapgate.drop_month(old_month date) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp SET lock_timeout = '5s' AS $$
DECLARE
	name text := 'records_' || to_char(old_month, 'YYYY_MM');
	oldest date;
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
END $$;

-- verify proves a chain here, without the program: how many records are kept, and the first that does not hold.
CREATE FUNCTION lapgate.verify(of_journal bytea, OUT records bigint, OUT bad_seq bigint, OUT problem text)
LANGUAGE plpgsql STABLE SET search_path = pg_catalog, pg_temp AS $$
DECLARE
	here lapgate.journals;
BEGIN
	SELECT * INTO here FROM lapgate.journals j WHERE j.genesis = of_journal;
	IF NOT FOUND THEN
		RAISE EXCEPTION 'no journal % is registered', encode(of_journal, 'hex') USING ERRCODE = 'LG004';
	END IF;
	SELECT count(*), min(c.seq) FILTER (WHERE c.seq <> c.last + 1 OR c.before <> c.link OR c.hash IS DISTINCT FROM c.should)
		INTO records, bad_seq FROM (
			SELECT r.seq, r.before, r.hash, lag(r.seq, 1, here.kept_after) OVER w AS last, lag(r.hash, 1, here.kept_hash) OVER w AS link,
				lapgate.link(r.before, r.seq, lapgate.micros(r.at), r.kind, r.body) AS should
			FROM lapgate.records r WHERE r.journal = here.journal AND r.seq <= here.seq WINDOW w AS (ORDER BY r.seq)) c;
	IF bad_seq IS NOT NULL THEN
		problem := 'it was changed, or what stands before it is missing';
	ELSIF records <> here.seq - here.kept_after THEN
		bad_seq := here.kept_after + records + 1;
		problem := 'the end is missing';
	ELSIF records > 0 AND NOT EXISTS (SELECT FROM lapgate.records r WHERE r.journal = here.journal AND r.seq = here.seq AND r.hash = here.hash) THEN
		bad_seq := here.seq;
		problem := 'it is not the head of the journal';
	END IF;
END $$;

SELECT lapgate.make_months_ahead(), lapgate.make_months_ahead();

-- Who may do what. Functions can be called by everybody unless that is taken back.
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA lapgate FROM PUBLIC;
GRANT USAGE ON SCHEMA lapgate TO lapgate_writer, lapgate_reader, lapgate_keeper, lapgate_pair;
GRANT SELECT ON lapgate.version TO lapgate_writer, lapgate_reader, lapgate_keeper, lapgate_pair;
GRANT EXECUTE ON FUNCTION lapgate.register, lapgate.append, lapgate.heads TO lapgate_writer;
GRANT SELECT ON lapgate.lines, lapgate.journals, lapgate.months, lapgate.records, lapgate.leases TO lapgate_reader;
GRANT EXECUTE ON FUNCTION lapgate.heads, lapgate.verify, lapgate.link, lapgate.micros, lapgate.moment TO lapgate_reader;
GRANT SELECT ON lapgate.months TO lapgate_keeper;
GRANT EXECUTE ON FUNCTION lapgate.drop_month TO lapgate_keeper;
GRANT SELECT, INSERT, UPDATE ON lapgate.leases TO lapgate_pair;
