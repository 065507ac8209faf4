BEGIN TRANSACTION;
CREATE TABLE batch_files (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    destination TEXT NOT NULL,
    batch       TEXT NOT NULL,
    key         TEXT NOT NULL,
    name        TEXT NOT NULL,
    place       TEXT NOT NULL,
    sha256      TEXT NOT NULL,
    bytes       INTEGER NOT NULL,
    arrived     TEXT NOT NULL
) STRICT;
CREATE TABLE batches (
    destination TEXT NOT NULL,
    batch       TEXT NOT NULL,
    document    TEXT NOT NULL,
    PRIMARY KEY (destination, batch)
) STRICT;
INSERT INTO "batches" VALUES('fine-art-canvas','estuary','{"ticket":"book.csv","ticket_sha256":"eeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeeee","ticket_problem":"","remarks":[],"rows":1,"lines":[],"faults":[],"spare":[],"made":{"dddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddd":"20260102-030404-00000004"},"planned":""}');
CREATE TABLE jobs (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    id          TEXT NOT NULL UNIQUE,
    destination TEXT NOT NULL,
    source      BLOB NOT NULL,
    kind        TEXT NOT NULL,
    state       TEXT NOT NULL,
    bytes       INTEGER NOT NULL,
    sha256      TEXT,
    attempts    INTEGER NOT NULL DEFAULT 0,
    arrived     TEXT NOT NULL,
    changed     TEXT NOT NULL,
    detail      TEXT NOT NULL DEFAULT '{}',
    record      TEXT
) STRICT;
INSERT INTO "jobs" VALUES(1,'20260102-030401-00000001','fine-art-canvas',X'FF206D75642E746966','file','claiming',5,NULL,0,'2026-01-02T03:04:12.678+00:00','2026-01-02T03:04:12.678+00:00','{"dev": 41, "ino": 7, "size": 5, "mtime_ns": 1767323045678000000, "nlink": 1}',NULL);
INSERT INTO "jobs" VALUES(2,'20260102-030402-00000002','fine-art-canvas',X'6D75642E746966','file','claimed',5,NULL,0,'2026-01-02T03:04:19.678+00:00','2026-01-02T03:04:26.678+00:00','{}',NULL);
INSERT INTO "jobs" VALUES(3,'20260102-030403-00000003','fine-art-canvas',X'657374756172792F72656564732E746966','file','claimed',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',0,'2026-01-02T03:04:33.678+00:00','2026-01-02T03:04:40.678+00:00','{"keeping": "/print-room/originals/fine-art-canvas/estuary/reeds.tif", "again": false}',NULL);
INSERT INTO "jobs" VALUES(4,'20260102-030404-00000004','fine-art-canvas',X'657374756172792F72656564732E746966','file','claimed',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',0,'2026-11-28T08:56:02.620+00:00','2026-11-28T08:56:02.620+00:00','{"placement": {"batch": "estuary", "ticket": "book.csv", "row": 2, "page": "4", "placement": "left", "name": "004-left", "file": "reeds.tif", "kept": "/print-room/originals/fine-art-canvas/estuary/reeds.tif", "sha256": "cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc", "copies": 1, "caption": "", "changes": {"sizing": {"width": "40 mm", "long_edge": null}}, "fingerprint": "dddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddd", "earlier": []}}',NULL);
INSERT INTO "jobs" VALUES(5,'20260102-030405-00000005','fine-art-canvas',X'68656C642E746966','file','working',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:04:47.678+00:00','2026-01-02T03:05:01.678+00:00','{"release": {"who": "Mara", "why": "a proof is wanted", "at": "2026-01-02T03:04:05.678Z", "changes": {"sizing": {"long_edge": "40 in"}}}}',NULL);
INSERT INTO "jobs" VALUES(6,'20260102-030406-00000006','fine-art-canvas',X'6D75642E746966','file','produced',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',0,'2026-01-02T03:05:08.678+00:00','2026-01-02T03:05:15.678+00:00','{"release": {"who": "Mara", "why": "a proof is wanted", "at": "2026-01-02T03:04:05.678Z", "changes": {"sizing": {"long_edge": "40 in"}}}, "placement": {"batch": "estuary", "ticket": "book.csv", "row": 2, "page": "4", "placement": "left", "name": "004-left", "file": "reeds.tif", "kept": "/print-room/originals/fine-art-canvas/estuary/reeds.tif", "sha256": "cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc", "copies": 1, "caption": "", "changes": {"sizing": {"width": "40 mm", "long_edge": null}}, "fingerprint": "dddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddd", "earlier": []}, "answer": {"verdict": "hold", "work": {"original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null}, "message": ""}}',NULL);
INSERT INTO "jobs" VALUES(7,'20260102-030407-00000007','fine-art-canvas',X'6D75642E746966','file','publishing',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',0,'2026-01-02T03:05:22.678+00:00','2026-01-02T03:05:29.678+00:00','{"state": "held", "moves": [{"source": "/print-room/.hotfolder/spool/x/original", "target": "/print-room/held/fine-art-canvas/20260102-030407-00000007/mud.tif", "sha256": "cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc", "what": "original", "copy_only": false}], "record": {"original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "schema_version": 1, "job": "20260102-030407-00000007", "destination": "fine-art-canvas", "state": "held", "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:05:15.678Z", "finished": "2026-01-02T03:05:16.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": null, "batch": null, "placement": null, "dropped": null}, "log": "/print-room/out/fine-art-canvas/log.jsonl", "folder": "/print-room/held/fine-art-canvas/20260102-030407-00000007"}',NULL);
INSERT INTO "jobs" VALUES(8,'20260102-030408-00000008','fine-art-canvas',X'6D75642E746966','file','delivered',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:05:36.678+00:00','2026-01-02T03:05:50.678+00:00','{}','{"schema_version": 1, "job": "20260102-030408-00000008", "destination": "fine-art-canvas", "state": "delivered", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:05:43.678Z", "finished": "2026-01-02T03:05:44.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "0000000000000000000000000000000000000000000000000000000000000000", "batch": null, "placement": null, "dropped": null}');
INSERT INTO "jobs" VALUES(9,'20260102-030409-00000009','fine-art-canvas',X'6D75642E746966','file','held',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:05:57.678+00:00','2026-01-02T03:06:11.678+00:00','{}','{"schema_version": 1, "job": "20260102-030409-00000009", "destination": "fine-art-canvas", "state": "held", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:06:04.678Z", "finished": "2026-01-02T03:06:05.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "e222799271d77079690084b9305950cfba06ac5ca598fc23d775a78230dbf5b3", "batch": null, "placement": null, "dropped": null}');
INSERT INTO "jobs" VALUES(10,'20260102-030410-0000000a','fine-art-canvas',X'6D75642E746966','file','held',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:06:18.678+00:00','2026-01-02T03:06:39.678+00:00','{"dropping": {"original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "schema_version": 1, "job": "20260102-030410-0000000a", "destination": "fine-art-canvas", "state": "held", "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:06:32.678Z", "finished": "2026-01-02T03:06:33.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": null, "batch": null, "placement": null, "dropped": {"noticed": "2026-01-02T03:07:32.678Z", "original_kept_until": "2026-02-01T03:06:32.678Z"}}}','{"schema_version": 1, "job": "20260102-030410-0000000a", "destination": "fine-art-canvas", "state": "held", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:06:25.678Z", "finished": "2026-01-02T03:06:26.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "b9afb8fd102c4c88cb0a906f30a68233884afaf3da4732a01156a5ca21d09068", "batch": null, "placement": null, "dropped": null}');
INSERT INTO "jobs" VALUES(11,'20260102-030411-0000000b','fine-art-canvas',X'6D75642E746966','file','held',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:06:46.678+00:00','2026-01-02T03:07:14.678+00:00','{"dropped": "2026-01-02T03:08:00.678Z"}','{"schema_version": 1, "job": "20260102-030411-0000000b", "destination": "fine-art-canvas", "state": "held", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:07:00.678Z", "finished": "2026-01-02T03:07:01.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "0364ac0fc20a090ebbdc409de9df27e1c7f06b42770696558381a29f7fd9e4cc", "batch": null, "placement": null, "dropped": {"noticed": "2026-01-02T03:08:00.678Z", "original_kept_until": "2026-02-01T03:07:00.678Z"}}');
INSERT INTO "jobs" VALUES(12,'20260102-030412-0000000c','fine-art-canvas',X'6D75642E746966','file','refused',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:07:21.678+00:00','2026-01-02T03:07:35.678+00:00','{}','{"schema_version": 1, "job": "20260102-030412-0000000c", "destination": "fine-art-canvas", "state": "refused", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:07:28.678Z", "finished": "2026-01-02T03:07:29.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "b3a9408b81e85f45ee41bb6d9bdb57f125076bdcd01d9f7045a12ba87509178d", "batch": null, "placement": null, "dropped": null}');
INSERT INTO "jobs" VALUES(13,'20260102-030413-0000000d','fine-art-canvas',X'6D75642E746966','file','releasing',5,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'2026-01-02T03:07:42.678+00:00','2026-01-02T03:08:03.678+00:00','{"release": {"who": "Mara", "why": "a proof is wanted", "at": "2026-01-02T03:04:05.678Z", "changes": {"sizing": {"long_edge": "40 in"}}}, "from": "/print-room/release/fine-art-canvas/20260102-030413-0000000d"}','{"schema_version": 1, "job": "20260102-030413-0000000d", "destination": "fine-art-canvas", "state": "held", "original": {"name": "mud.tif", "sha256": "0000000000000000000000000000000000000000000000000000000000000000", "bytes": 5, "format": null, "width_px": null, "height_px": null, "bits": null, "colour_space": null, "profile": null, "ppi": null, "pages": null, "notes": []}, "results": [], "attachments": [], "reasons": [{"stage": "gamut-check", "code": "gamut-loss", "message": "6 % is lost"}], "findings": {"gamut-check": {"out_of_gamut_share": 0.06}}, "stages": [], "versions": {}, "elapsed_s": null, "source": "mud.tif", "original_kept": "/r/held/fine-art-canvas/j/mud.tif", "attempts": 1, "arrived": "2026-01-02T03:07:49.678Z", "finished": "2026-01-02T03:07:50.678Z", "release": null, "earlier_jobs": [], "same_original": [], "previous_sha256": "fb091c9f47e33acd23cf396dd4e52e7283f4481768dc2b342fd60ed58755923a", "batch": null, "placement": null, "dropped": null}');
CREATE TABLE records (
    number          INTEGER PRIMARY KEY,
    job             TEXT NOT NULL,
    destination     TEXT NOT NULL,
    latest          INTEGER NOT NULL DEFAULT 1,
    was_held        INTEGER NOT NULL,
    state           TEXT NOT NULL,
    dropped_at      TEXT,
    finished        TEXT NOT NULL,
    batch           TEXT,
    name            TEXT NOT NULL,
    original_sha256 TEXT,
    result_sha256   TEXT,
    share_lost      REAL,
    tolerance       REAL,
    delta_e_mean    REAL,
    delta_e_p95     REAL,
    delta_e_max     REAL,
    hues            TEXT NOT NULL,
    profile         TEXT,
    profile_sha256  TEXT,
    elapsed_s       REAL NOT NULL,
    line_sha256     TEXT
) STRICT;
INSERT INTO "records" VALUES(1,'20260102-030408-00000008','fine-art-canvas',1,0,'delivered',NULL,'2026-01-02T03:05:44.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'e222799271d77079690084b9305950cfba06ac5ca598fc23d775a78230dbf5b3');
INSERT INTO "records" VALUES(2,'20260102-030409-00000009','fine-art-canvas',1,1,'held',NULL,'2026-01-02T03:06:05.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'b9afb8fd102c4c88cb0a906f30a68233884afaf3da4732a01156a5ca21d09068');
INSERT INTO "records" VALUES(3,'20260102-030410-0000000a','fine-art-canvas',1,1,'held',NULL,'2026-01-02T03:06:26.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'6e1b22c86a367d68d3b6d6ebca59375cb0f537f0d1d489054480c5c6aeb38529');
INSERT INTO "records" VALUES(4,'20260102-030411-0000000b','fine-art-canvas',0,1,'held',NULL,'2026-01-02T03:06:54.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'0364ac0fc20a090ebbdc409de9df27e1c7f06b42770696558381a29f7fd9e4cc');
INSERT INTO "records" VALUES(5,'20260102-030411-0000000b','fine-art-canvas',1,1,'dropped','2026-01-02T03:08:00.678Z','2026-01-02T03:07:01.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'b3a9408b81e85f45ee41bb6d9bdb57f125076bdcd01d9f7045a12ba87509178d');
INSERT INTO "records" VALUES(6,'20260102-030412-0000000c','fine-art-canvas',1,0,'refused',NULL,'2026-01-02T03:07:29.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'fb091c9f47e33acd23cf396dd4e52e7283f4481768dc2b342fd60ed58755923a');
INSERT INTO "records" VALUES(7,'20260102-030413-0000000d','fine-art-canvas',1,1,'held',NULL,'2026-01-02T03:07:50.678Z',NULL,'mud.tif','0000000000000000000000000000000000000000000000000000000000000000',NULL,0.06,NULL,NULL,NULL,NULL,'',NULL,NULL,0.0,'fed0e657daf2a921150b358527099a7e3a6426f35c9f866b7e55b180042a4fa1');
CREATE INDEX jobs_open ON jobs (state, destination, seq)
    WHERE state NOT IN ('delivered', 'held', 'refused');
CREATE INDEX jobs_ended ON jobs (destination, state, changed);
CREATE INDEX jobs_named ON jobs (destination, source, seq)
;
CREATE INDEX records_by_time ON records (finished);
CREATE INDEX records_by_destination ON records (destination, finished);
CREATE INDEX records_by_loss ON records (share_lost);
CREATE INDEX records_by_batch ON records (batch, finished) WHERE batch IS NOT NULL;
CREATE INDEX records_by_job ON records (job);
CREATE INDEX records_by_original ON records (original_sha256);
CREATE INDEX records_by_result ON records (result_sha256);
CREATE INDEX records_by_line ON records (destination, number, line_sha256)
;
CREATE INDEX jobs_queued ON jobs (destination, seq) WHERE state NOT IN ('delivered', 'held', 'refused') AND state != 'claiming';
CREATE INDEX records_by_name ON records (name COLLATE NOCASE, number DESC)
;
CREATE INDEX batch_files_named ON batch_files (destination, batch, key, seq);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('jobs',13);
COMMIT;
PRAGMA user_version = 5;
