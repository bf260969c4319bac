-- least: 1
-- What the two machines of a pair tell each other, so that no port is opened between them.

-- What persons did on one machine and the other must do too.
CREATE TABLE lapgate.acts (
	number      bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
	mill        text NOT NULL,
	line        text NOT NULL,
	machine     text NOT NULL, -- that posted it
	kind        text NOT NULL,
	body        text NOT NULL, -- the rest of it, as the machines write it
	posted      timestamptz NOT NULL DEFAULT clock_timestamp(),
	answered_by text,          -- machine; NULL as long as nobody answered
	answer      text           -- empty where it is done, else why not
);
CREATE INDEX acts_waiting ON lapgate.acts (mill, number) WHERE answered_by IS NULL;

-- The machines that are there. The beat counts on as long as one is.
CREATE TABLE lapgate.machines (
	mill     text NOT NULL,
	machine  text NOT NULL,
	instance text NOT NULL,
	beat     bigint NOT NULL,
	about    text NOT NULL, -- what it tells of its lines
	PRIMARY KEY (mill, machine)
) WITH (fillfactor = 10);

GRANT SELECT, INSERT ON lapgate.acts, lapgate.machines TO lapgate_pair;
GRANT UPDATE (answered_by, answer) ON lapgate.acts TO lapgate_pair; -- what was posted stays as it was
GRANT UPDATE ON lapgate.machines TO lapgate_pair;
GRANT SELECT ON lapgate.acts, lapgate.machines TO lapgate_reader;
GRANT EXECUTE ON FUNCTION lapgate.heads TO lapgate_pair;
