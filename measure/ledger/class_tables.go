package ledger

// classTables hold exercises and what students did in them. Students' events
// stand apart from the project's own: no log, audit or export of the project
// meets them, and a student who is removed takes them along.
const classTables = `
CREATE TABLE exercises (
	id           INTEGER PRIMARY KEY AUTOINCREMENT,
	run          INTEGER NOT NULL REFERENCES runs(id),
	core         TEXT NOT NULL,        -- uid
	key_observer TEXT NOT NULL,        -- whose reading of the core is the key; '': the automatic one
	blank        TEXT NOT NULL,        -- JSON, the measurement as students begin
	name         TEXT NOT NULL,
	code         TEXT NOT NULL UNIQUE, -- to join by
	seats        INTEGER NOT NULL,
	joined       INTEGER NOT NULL DEFAULT 0, -- how many ever did: numbers students
	made         TEXT NOT NULL,
	opens        TEXT NOT NULL,
	closes       TEXT,                 -- NULL: when the assistant closes it
	graded       TEXT,
	released     TEXT
) STRICT;

CREATE TABLE students (
	id       INTEGER PRIMARY KEY AUTOINCREMENT,
	exercise INTEGER NOT NULL REFERENCES exercises(id),
	number   INTEGER NOT NULL,         -- within the exercise, never given twice
	name     TEXT NOT NULL,
	folded   TEXT NOT NULL,            -- the name without regard to case, so that none is taken twice
	session  TEXT NOT NULL UNIQUE,     -- SHA-256 of the cookie
	pass     TEXT NOT NULL UNIQUE,     -- SHA-256 of the code to come back by
	joined   TEXT NOT NULL,
	result   TEXT,                     -- JSON, of grading
	UNIQUE (exercise, number),
	UNIQUE (exercise, folded)
) STRICT;

CREATE TABLE student_events (
	seq      INTEGER PRIMARY KEY AUTOINCREMENT,
	uuid     TEXT NOT NULL,
	student  INTEGER NOT NULL REFERENCES students(id) ON DELETE CASCADE,
	utc      TEXT NOT NULL,
	kind     TEXT NOT NULL,
	target   TEXT NOT NULL,
	point_px TEXT,
	detail   TEXT,
	undoes   TEXT,
	why      TEXT NOT NULL,
	UNIQUE (student, uuid)
) STRICT;
CREATE INDEX student_events_of ON student_events(student, seq);

CREATE TRIGGER student_events_are_kept BEFORE UPDATE ON student_events BEGIN SELECT RAISE(ABORT, 'events are never overwritten'); END;
-- The one removal allowed: of all a student did, with the student.
CREATE TRIGGER student_events_stay BEFORE DELETE ON student_events WHEN EXISTS (SELECT 1 FROM students WHERE id = OLD.student)
BEGIN SELECT RAISE(ABORT, 'events are never removed, but with their student'); END;
`

// expertColumns: an exercise may have several experts, and what students see of
// its grading is by the key as it was then.
const expertColumns = `
ALTER TABLE exercises ADD COLUMN experts TEXT NOT NULL DEFAULT '[]'; -- JSON, observers beside key_observer
ALTER TABLE exercises ADD COLUMN graded_by TEXT;                     -- JSON, the key that the results rest on
`
