-- A record as the first version of the tables left it: one job of one step, written by that version itself.
PRAGMA application_id=1651401576;
PRAGMA user_version=1;
BEGIN TRANSACTION;
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
INSERT INTO "acknowledgements" VALUES(1,1,1200000,'2026-01-05T12:00:00.000+00:00','eht','A4 TP40',9400.0,'words','Words',1,'Marit','work','');
CREATE TABLE channels (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            name TEXT NOT NULL,
            unit TEXT NOT NULL,
            UNIQUE (step, name, unit)
        );
INSERT INTO "channels" VALUES(1,1,'meter','V');
CREATE TABLE events (
            id INTEGER PRIMARY KEY,
            sitting INTEGER NOT NULL REFERENCES sittings (id),
            step INTEGER REFERENCES steps (id),
            at_us INTEGER NOT NULL,
            stamp TEXT NOT NULL,
            kind TEXT NOT NULL,
            facts TEXT NOT NULL
        );
INSERT INTO "events" VALUES(1,1,1,8000000,'2026-01-05T12:00:00.000+00:00','said','{"words": "\u00e9"}');
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
CREATE TABLE instruments (
            job INTEGER NOT NULL REFERENCES jobs (id),
            name TEXT NOT NULL,
            driver TEXT NOT NULL,
            address TEXT NOT NULL,
            identity TEXT NOT NULL,
            calibration_due TEXT NOT NULL,
            PRIMARY KEY (job, name)
        );
INSERT INTO "instruments" VALUES(1,'meter','meter-scpi','sim://meter','id','2027-01-01');
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
INSERT INTO "jobs" VALUES(1,'2026-01-05T12:00:00.000+00:00','2026-01-05T12:00:10.000+00:00','skerry14-adjust','Skerry 14','abc','adjust.toml','Skerry 14','SK14-0231','Marit','lantern',1,'0.1.0','guarded','{"temperature": 21.5}','everything in',0);
CREATE TABLE marks (
            id INTEGER PRIMARY KEY,
            step INTEGER NOT NULL REFERENCES steps (id),
            at_us INTEGER NOT NULL,
            trimmer TEXT NOT NULL,
            words TEXT NOT NULL,
            value REAL,
            unit TEXT NOT NULL
        );
CREATE TABLE migrations (version INTEGER PRIMARY KEY, name TEXT NOT NULL, applied TEXT NOT NULL);
INSERT INTO "migrations" VALUES(1,'jobs, steps, readings and what belongs to them','2026-11-25 18:12:19');
CREATE TABLE readings (
            channel INTEGER NOT NULL REFERENCES channels (id),
            at_us INTEGER NOT NULL,
            value REAL,
            flags INTEGER NOT NULL,
            resolution REAL,
            uncertainty REAL
        );
INSERT INTO "readings" VALUES(1,1500000,9400.25,2,0.1,38.0);
INSERT INTO "readings" VALUES(1,2500000,9401.25,2,0.1,38.0);
INSERT INTO "readings" VALUES(1,3500000,9402.25,2,0.1,38.0);
INSERT INTO "readings" VALUES(1,4500000,9403.25,2,0.1,38.0);
INSERT INTO "readings" VALUES(1,5500000,9404.25,2,0.1,38.0);
INSERT INTO "readings" VALUES(1,7000000,NULL,512,NULL,NULL);
CREATE TABLE sittings (
            id INTEGER PRIMARY KEY,
            job INTEGER NOT NULL REFERENCES jobs (id),
            started TEXT NOT NULL,
            alive_us INTEGER NOT NULL
        );
INSERT INTO "sittings" VALUES(1,1,'2026-01-05T12:00:00.000+00:00',10000000);
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
INSERT INTO "steps" VALUES(1,1,'eht','trim','EHT',3,1,'do','A4 TP40','RV41',1000000,'2026-01-05T12:00:01.000+00:00',9000000,'2026-01-05T12:00:09.000+00:00','pass',9400.0,'V',38.0,9250.0,9550.0,9100.0,9800.0,'guarded',0.99,76.0,'preferred','','{}');
CREATE TABLE traffic (
            id INTEGER PRIMARY KEY,
            sitting INTEGER NOT NULL REFERENCES sittings (id),
            at_us INTEGER NOT NULL,
            instrument TEXT NOT NULL,
            dialogue TEXT NOT NULL
        );
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
CREATE INDEX jobs_by_serial ON jobs (serial, id);
CREATE INDEX sittings_by_job ON sittings (job);
CREATE INDEX steps_by_sitting ON steps (sitting);
CREATE INDEX readings_by_channel ON readings (channel);
COMMIT;
