"""The record's tables, as a list of migrations: a new version is a new entry, an old entry is never changed.

A migration only adds tables and indexes. So a record of an older version is read as it is, with the newer tables empty.

Times are whole microseconds of the sitting's monotonic clock (`_us`) and ISO 8601 wall time in UTC (`stamp`).
Values are in base units. A sitting is one stretch of work at a job by one process: its monotonic clock starts anew.
A block holds `count` readings of one channel in `packed`; it stands for as many, or, once it was thinned, for more.
Its least, mean and greatest are of the usable ones it stands for.
"""

from __future__ import annotations

MIGRATIONS: tuple[tuple[str, str], ...] = (
    (
        "jobs, steps, readings and what belongs to them",
        """
        CREATE TABLE jobs (
            id INTEGER PRIMARY KEY,
            started TEXT NOT NULL,
            ended TEXT,
            procedure TEXT NOT NULL,
            title TEXT NOT NULL,
            procedure_digest TEXT NOT NULL,
            procedure_file TEXT NOT NULL,
            unit TEXT NOT NULL,
            serial TEXT NOT NULL,
            operator TEXT NOT NULL,
            bench TEXT NOT NULL,
            simulated INTEGER NOT NULL,
            version TEXT NOT NULL,
            rule TEXT NOT NULL,
            environment TEXT NOT NULL,
            outcome TEXT,
            exit_code INTEGER
        );
        CREATE INDEX jobs_by_serial ON jobs (serial, id);
        CREATE TABLE instruments (
            job INTEGER NOT NULL REFERENCES jobs (id),
            name TEXT NOT NULL,
            driver TEXT NOT NULL,
            address TEXT NOT NULL,
            identity TEXT NOT NULL,
            calibration_due TEXT NOT NULL,
            PRIMARY KEY (job, name)
        );
        CREATE TABLE sittings (
            id INTEGER PRIMARY KEY,
            job INTEGER NOT NULL REFERENCES jobs (id),
            started TEXT NOT NULL,
            alive_us INTEGER NOT NULL
        );
        CREATE INDEX sittings_by_job ON sittings (job);
        CREATE TABLE steps (
            id INTEGER PRIMARY KEY,
            sitting INTEGER NOT NULL REFERENCES sittings (id),
            step TEXT NOT NULL,
            kind TEXT NOT NULL,
            title TEXT NOT NULL,
            number INTEGER NOT NULL,
            round INTEGER NOT NULL,
            purpose TEXT NOT NULL,
            point TEXT NOT NULL,
            trimmer TEXT NOT NULL,
            started_us INTEGER NOT NULL,
            started TEXT NOT NULL,
            ended_us INTEGER,
            ended TEXT,
            verdict TEXT,
            value REAL,
            unit TEXT,
            uncertainty REAL,
            low REAL,
            high REAL,
            acceptable_low REAL,
            acceptable_high REAL,
            rule TEXT,
            probability REAL,
            guard_band REAL,
            tier TEXT,
            words TEXT,
            details TEXT
        );
        CREATE INDEX steps_by_sitting ON steps (sitting);
        CREATE TABLE channels (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            name TEXT NOT NULL,
            unit TEXT NOT NULL,
            UNIQUE (step, name, unit)
        );
        CREATE TABLE readings (
            channel INTEGER NOT NULL REFERENCES channels (id),
            at_us INTEGER NOT NULL,
            value REAL,
            flags INTEGER NOT NULL,
            resolution REAL,
            uncertainty REAL
        );
        CREATE INDEX readings_by_channel ON readings (channel);
        CREATE TABLE waveforms (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            name TEXT NOT NULL,
            at_us INTEGER NOT NULL,
            interval REAL NOT NULL,
            start REAL NOT NULL,
            scale REAL NOT NULL,
            offset REAL NOT NULL,
            kind TEXT NOT NULL,
            clipped INTEGER NOT NULL,
            triggered INTEGER NOT NULL,
            samples BLOB NOT NULL
        );
        CREATE TABLE acknowledgements (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            at_us INTEGER NOT NULL,
            stamp TEXT NOT NULL,
            hazard TEXT NOT NULL,
            test_point TEXT NOT NULL,
            expected REAL NOT NULL,
            phrase TEXT NOT NULL,
            typed TEXT,
            acknowledged INTEGER NOT NULL,
            operator TEXT NOT NULL,
            purpose TEXT NOT NULL,
            words TEXT NOT NULL
        );
        CREATE TABLE marks (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            at_us INTEGER NOT NULL,
            trimmer TEXT NOT NULL,
            words TEXT NOT NULL,
            value REAL,
            unit TEXT NOT NULL
        );
        CREATE TABLE events (
            id INTEGER PRIMARY KEY,
            sitting INTEGER NOT NULL REFERENCES sittings (id),
            step INTEGER REFERENCES steps (id),
            at_us INTEGER NOT NULL,
            stamp TEXT NOT NULL,
            kind TEXT NOT NULL,
            facts TEXT NOT NULL
        );
        CREATE TABLE gaps (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            instrument TEXT NOT NULL,
            reason TEXT NOT NULL,
            opened_us INTEGER NOT NULL,
            opened TEXT NOT NULL,
            closed_us INTEGER,
            closed TEXT
        );
        CREATE TABLE traffic (
            id INTEGER PRIMARY KEY,
            sitting INTEGER NOT NULL REFERENCES sittings (id),
            at_us INTEGER NOT NULL,
            instrument TEXT NOT NULL,
            dialogue TEXT NOT NULL
        );
        """,
    ),
    (
        "readings by the block",
        """
        CREATE TABLE blocks (
            id INTEGER PRIMARY KEY,
            channel INTEGER NOT NULL REFERENCES channels (id),
            from_us INTEGER NOT NULL,
            to_us INTEGER NOT NULL,
            count INTEGER NOT NULL,
            stood_for INTEGER NOT NULL,
            usable INTEGER NOT NULL,
            least REAL,
            mean REAL,
            greatest REAL,
            resolution REAL,
            packed BLOB NOT NULL
        );
        CREATE INDEX blocks_by_channel ON blocks (channel, from_us)
        """,
    ),
    (
        "what belongs to a step is found without looking at every other",
        """
        CREATE INDEX waveforms_by_step ON waveforms (step);
        CREATE INDEX acknowledgements_by_step ON acknowledgements (step);
        CREATE INDEX marks_by_step ON marks (step);
        CREATE INDEX gaps_by_step ON gaps (step);
        CREATE INDEX events_by_sitting ON events (sitting, id)
        """,
    ),
    (
        # No table changes. Older ones have no name for these two, and say so by the version and not half-way through.
        "readings with the flags WRONG_FUNCTION and COARSE",
        "",
    ),
    (
        # No table changes, for the same reason.
        "readings with the flags PROVISIONAL, CHANGED_AT_PANEL, VARIES, GLITCHES, UNRESOLVED, UNTRIGGERED, RUNT, SLOW "
        "and MOVES",
        "",
    ),
)
VERSION = len(MIGRATIONS)


def statements(version: int) -> list[str]:
    """What migration `version` (from 1) does, one by one."""
    return [statement.strip() for statement in MIGRATIONS[version - 1][1].split(";") if statement.strip()]


# "bench" in ASCII: marks the file as ours (SQLite's application_id is a signed 32-bit number).
APPLICATION_ID = int.from_bytes(b"bnch", "big")
