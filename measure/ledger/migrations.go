package ledger

// migrations returns the steps that make a project file, in order. A step that
// was once released is never changed: a file that has seen it would differ
// from a new one.
func migrations() []string {
	return []string{firstTables, classTables, expertColumns, againTable}
}

// Readings of cores that were known by their rings from another scan, and those
// that perhaps were.
const againTable = `
CREATE TABLE seen_again (
	reading   INTEGER PRIMARY KEY REFERENCES readings(id),
	earlier   INTEGER NOT NULL REFERENCES readings(id),
	certainty REAL NOT NULL,
	share     REAL NOT NULL,           -- of the boundaries that both readings have
	turned    INTEGER NOT NULL         -- bark and pith end are exchanged
) STRICT;
CREATE TRIGGER seen_again_is_kept BEFORE UPDATE ON seen_again BEGIN SELECT RAISE(ABORT, 'readings are never overwritten'); END;
CREATE TRIGGER seen_again_stays BEFORE DELETE ON seen_again BEGIN SELECT RAISE(ABORT, 'readings are never removed'); END;
`

const firstTables = `
CREATE TABLE scans (
	id        INTEGER PRIMARY KEY,
	sha256    TEXT NOT NULL UNIQUE,
	file      TEXT NOT NULL,           -- its name
	path      TEXT NOT NULL,           -- where it was seen last
	width_px  INTEGER NOT NULL,
	height_px INTEGER NOT NULL,
	mm_per_px TEXT                     -- JSON [x, y] as measured last; NULL: no scale
) STRICT;

-- One measuring of one scan: everything of the measurement but its cores.
CREATE TABLE runs (
	id       INTEGER PRIMARY KEY,
	scan     INTEGER NOT NULL REFERENCES scans(id),
	utc      TEXT NOT NULL,
	version  TEXT NOT NULL,
	settings TEXT NOT NULL,            -- JSON
	head     TEXT NOT NULL             -- JSON, the measurement with no cores
) STRICT;

-- What is known of a core over all its readings.
CREATE TABLE cores (
	id    INTEGER PRIMARY KEY,
	field TEXT                         -- JSON, the latest row of the sheet
) STRICT;

-- An automatic reading of one core. uid names the core within its run.
CREATE TABLE readings (
	id       INTEGER PRIMARY KEY,
	run      INTEGER NOT NULL REFERENCES runs(id),
	core     INTEGER NOT NULL REFERENCES cores(id),
	uid      TEXT NOT NULL,
	position INTEGER NOT NULL,
	body     TEXT NOT NULL,            -- JSON, the core of the measurement
	UNIQUE (run, uid)
) STRICT;
CREATE INDEX readings_of_core ON readings(core);

CREATE TABLE events (
	seq      INTEGER PRIMARY KEY AUTOINCREMENT,
	uuid     TEXT NOT NULL UNIQUE,
	run      INTEGER NOT NULL REFERENCES runs(id),
	reading  INTEGER REFERENCES readings(id), -- NULL: the scan, or a core a person added
	core     TEXT NOT NULL,                   -- uid; '' for the whole scan
	observer TEXT NOT NULL,
	utc      TEXT NOT NULL,
	kind     TEXT NOT NULL,
	target   TEXT NOT NULL,
	point_px TEXT,                            -- JSON [x, y]
	detail   TEXT,                            -- JSON
	undoes   TEXT REFERENCES events(uuid),
	carries  TEXT REFERENCES events(uuid),
	why      TEXT NOT NULL
) STRICT;
CREATE INDEX events_of_run ON events(run, observer);

-- Events on an earlier reading that found no place on a later one.
CREATE TABLE not_carried (
	event TEXT NOT NULL REFERENCES events(uuid),
	run   INTEGER NOT NULL REFERENCES runs(id),
	why   TEXT NOT NULL,
	PRIMARY KEY (event, run)
) STRICT;

-- Where an observer stopped: the one thing here that is overwritten.
CREATE TABLE places (
	observer TEXT PRIMARY KEY,
	place    TEXT NOT NULL             -- JSON, the page's own
) STRICT;

CREATE TRIGGER runs_are_kept BEFORE UPDATE ON runs BEGIN SELECT RAISE(ABORT, 'readings are never overwritten'); END;
CREATE TRIGGER runs_stay BEFORE DELETE ON runs BEGIN SELECT RAISE(ABORT, 'readings are never removed'); END;
CREATE TRIGGER readings_are_kept BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'readings are never overwritten'); END;
CREATE TRIGGER readings_stay BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'readings are never removed'); END;
CREATE TRIGGER events_are_kept BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are never overwritten'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are never removed'); END;
`
