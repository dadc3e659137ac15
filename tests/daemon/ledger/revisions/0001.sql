BEGIN TRANSACTION;
CREATE TABLE alarm_cleared (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	code VARCHAR NOT NULL,
	CONSTRAINT pk_alarm_cleared PRIMARY KEY (seq),
	CONSTRAINT ck_alarm_cleared_code CHECK (code <> ''),
	CONSTRAINT fk_alarm_cleared_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "alarm_cleared" VALUES(10,1793649601000,1,'code alarm_cleared 1');
INSERT INTO "alarm_cleared" VALUES(23,1793649602000,1,'code alarm_cleared 2');
CREATE TABLE alarm_raised (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	code VARCHAR NOT NULL,
	effect VARCHAR NOT NULL,
	latched BOOLEAN NOT NULL,
	CONSTRAINT pk_alarm_raised PRIMARY KEY (seq),
	CONSTRAINT ck_alarm_raised_code CHECK (code <> ''),
	CONSTRAINT fk_alarm_raised_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "alarm_raised" VALUES(9,1793649601000,1,'code alarm_raised 1','effect alarm_raised 1',1);
INSERT INTO "alarm_raised" VALUES(22,1793649602000,1,'code alarm_raised 2','effect alarm_raised 2',0);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL,
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE checkpoint (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	channel VARCHAR NOT NULL,
	phase VARCHAR NOT NULL,
	water_ml INTEGER NOT NULL,
	stock_ml INTEGER NOT NULL,
	water_count_ml INTEGER NOT NULL,
	stock_count_ml INTEGER NOT NULL,
	CONSTRAINT pk_checkpoint PRIMARY KEY (seq),
	CONSTRAINT ck_checkpoint_run CHECK (run <> ''),
	CONSTRAINT ck_checkpoint_water_ml CHECK (water_ml >= 0),
	CONSTRAINT ck_checkpoint_stock_ml CHECK (stock_ml >= 0),
	CONSTRAINT fk_checkpoint_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "checkpoint" VALUES(5,1793649601000,1,'run checkpoint 1','channel checkpoint 1','phase checkpoint 1',1008,1008,1014,1014);
INSERT INTO "checkpoint" VALUES(18,1793649602000,1,'run checkpoint 2','channel checkpoint 2','phase checkpoint 2',2008,2008,2014,2014);
CREATE TABLE command_answered (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	command VARCHAR NOT NULL,
	who VARCHAR NOT NULL,
	role VARCHAR NOT NULL,
	verb VARCHAR NOT NULL,
	arguments VARCHAR NOT NULL,
	accepted BOOLEAN NOT NULL,
	reason VARCHAR NOT NULL,
	CONSTRAINT pk_command_answered PRIMARY KEY (seq),
	CONSTRAINT fk_command_answered_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "command_answered" VALUES(11,1793649601000,1,'command command_answered 1','who command_answered 1','role command_answered 1','verb command_answered 1','arguments command_answered 1',1,'reason command_answered 1');
INSERT INTO "command_answered" VALUES(24,1793649602000,1,'command command_answered 2','who command_answered 2','role command_answered 2','verb command_answered 2','arguments command_answered 2',0,'reason command_answered 2');
CREATE TABLE decision (
	kind VARCHAR NOT NULL,
	"key" VARCHAR NOT NULL,
	version INTEGER NOT NULL,
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	body VARCHAR NOT NULL,
	who VARCHAR NOT NULL,
	CONSTRAINT pk_decision PRIMARY KEY (kind, "key", version),
	CONSTRAINT ck_decision_kind CHECK (kind <> ''),
	CONSTRAINT ck_decision_key CHECK (key <> ''),
	CONSTRAINT ck_decision_who CHECK (who <> ''),
	CONSTRAINT ck_decision_version CHECK (version >= 1),
	CONSTRAINT fk_decision_seq FOREIGN KEY(seq) REFERENCES seal (seq),
	CONSTRAINT uq_decision_seq UNIQUE (seq)
);
INSERT INTO "decision" VALUES('shift','creek',1,28,1793649603000,1,'{"blocks":["creek"]}','Mina');
INSERT INTO "decision" VALUES('stock','calcium',1,29,1793649603000,1,'{"batch":"A-2026-10-13","ec_ms_cm_per_g_l":1.1,"nutrients_g_l":{"Ca":37.0,"N":31.0},"product":"calcium nitrate, double salt","product_g_l":200.0,"strength_accuracy_pct":2.0,"tank":"a"}','Mina');
INSERT INTO "decision" VALUES('program','creek_night',1,30,1793649603000,1,'{"injections":[{"dose_kg_ha":3.0,"inject_m3":42.0,"nutrient":"N","stock":"calcium"}],"order":"together","shift":"creek","water_m3":84.0}','Mina');
CREATE TABLE dose (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	block VARCHAR NOT NULL,
	channel VARCHAR NOT NULL,
	nutrient VARCHAR NOT NULL,
	estimate VARCHAR NOT NULL,
	basis VARCHAR NOT NULL,
	planned_mg INTEGER NOT NULL,
	injected_mg INTEGER NOT NULL,
	delivered_mg INTEGER NOT NULL,
	in_lines_mg INTEGER NOT NULL,
	lost_mg INTEGER NOT NULL,
	u_injected_mg INTEGER NOT NULL,
	u_delivered_mg INTEGER NOT NULL,
	CONSTRAINT pk_dose PRIMARY KEY (seq),
	CONSTRAINT ck_dose_run CHECK (run <> ''),
	CONSTRAINT ck_dose_block CHECK (block <> ''),
	CONSTRAINT ck_dose_channel CHECK (channel <> ''),
	CONSTRAINT ck_dose_nutrient CHECK (nutrient <> ''),
	CONSTRAINT ck_dose_estimate CHECK (estimate IN ('METER', 'EC', 'TANK')),
	CONSTRAINT ck_dose_basis CHECK (basis IN ('measured', 'estimated')),
	CONSTRAINT ck_dose_planned_mg CHECK (planned_mg >= 0),
	CONSTRAINT ck_dose_u_injected_mg CHECK (u_injected_mg >= 0),
	CONSTRAINT ck_dose_u_delivered_mg CHECK (u_delivered_mg >= 0),
	CONSTRAINT fk_dose_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "dose" VALUES(6,1793649601000,1,'run dose 1','block dose 1','channel dose 1','nutrient dose 1','METER','measured',1010,1011,1012,1011,1007,1013,1014);
INSERT INTO "dose" VALUES(19,1793649602000,1,'run dose 2','block dose 2','channel dose 2','nutrient dose 2','METER','measured',2010,2011,2012,2011,2007,2013,2014);
CREATE TABLE event (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	code VARCHAR NOT NULL,
	detail VARCHAR NOT NULL,
	CONSTRAINT pk_event PRIMARY KEY (seq),
	CONSTRAINT ck_event_code CHECK (code <> ''),
	CONSTRAINT fk_event_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "event" VALUES(14,1793649601000,1,'code event 1','detail event 1');
INSERT INTO "event" VALUES(27,1793649602000,1,'code event 2','detail event 2');
CREATE TABLE flush_cleared (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	segment VARCHAR NOT NULL,
	stock VARCHAR NOT NULL,
	water_ml INTEGER NOT NULL,
	why VARCHAR NOT NULL,
	CONSTRAINT pk_flush_cleared PRIMARY KEY (seq),
	CONSTRAINT ck_flush_cleared_segment CHECK (segment <> ''),
	CONSTRAINT ck_flush_cleared_water_ml CHECK (water_ml >= 0),
	CONSTRAINT fk_flush_cleared_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "flush_cleared" VALUES(8,1793649601000,1,'segment flush_cleared 1','stock flush_cleared 1',1008,'why flush_cleared 1');
INSERT INTO "flush_cleared" VALUES(21,1793649602000,1,'segment flush_cleared 2','stock flush_cleared 2',2008,'why flush_cleared 2');
CREATE TABLE flush_owed (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	segment VARCHAR NOT NULL,
	stock VARCHAR NOT NULL,
	run VARCHAR NOT NULL,
	owed_ml INTEGER NOT NULL,
	CONSTRAINT pk_flush_owed PRIMARY KEY (seq),
	CONSTRAINT ck_flush_owed_segment CHECK (segment <> ''),
	CONSTRAINT ck_flush_owed_owed_ml CHECK (owed_ml >= 0),
	CONSTRAINT fk_flush_owed_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "flush_owed" VALUES(7,1793649601000,1,'segment flush_owed 1','stock flush_owed 1','run flush_owed 1',1007);
INSERT INTO "flush_owed" VALUES(20,1793649602000,1,'segment flush_owed 2','stock flush_owed 2','run flush_owed 2',2007);
CREATE TABLE injection_intent (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	channel VARCHAR NOT NULL,
	stock VARCHAR NOT NULL,
	batch VARCHAR NOT NULL,
	reserved_ml INTEGER NOT NULL,
	owed_ml INTEGER NOT NULL,
	nutrients_ug_ml VARCHAR NOT NULL,
	CONSTRAINT pk_injection_intent PRIMARY KEY (seq),
	CONSTRAINT ck_injection_intent_run CHECK (run <> ''),
	CONSTRAINT ck_injection_intent_channel CHECK (channel <> ''),
	CONSTRAINT ck_injection_intent_reserved_ml CHECK (reserved_ml >= 0),
	CONSTRAINT ck_injection_intent_owed_ml CHECK (owed_ml >= 0),
	CONSTRAINT fk_injection_intent_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "injection_intent" VALUES(4,1793649601000,1,'run injection_intent 1','channel injection_intent 1','stock injection_intent 1','batch injection_intent 1',1011,1007,'nutrients_ug_ml injection_intent 1');
INSERT INTO "injection_intent" VALUES(17,1793649602000,1,'run injection_intent 2','channel injection_intent 2','stock injection_intent 2','batch injection_intent 2',2011,2007,'nutrients_ug_ml injection_intent 2');
CREATE TABLE meta (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	born VARCHAR NOT NULL,
	site_digest VARCHAR NOT NULL,
	CONSTRAINT pk_meta PRIMARY KEY (seq),
	CONSTRAINT ck_meta_first CHECK (seq = 1),
	CONSTRAINT ck_meta_born CHECK (born IN ('real', 'simulated')),
	CONSTRAINT fk_meta_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "meta" VALUES(1,1793649600000,1,'simulated','digest');
CREATE TABLE phase_ended (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	phase VARCHAR NOT NULL,
	duration_ms INTEGER NOT NULL,
	water_ml INTEGER NOT NULL,
	stock_ml INTEGER NOT NULL,
	why VARCHAR NOT NULL,
	CONSTRAINT pk_phase_ended PRIMARY KEY (seq),
	CONSTRAINT ck_phase_ended_run CHECK (run <> ''),
	CONSTRAINT ck_phase_ended_phase CHECK (phase <> ''),
	CONSTRAINT ck_phase_ended_duration_ms CHECK (duration_ms >= 0),
	CONSTRAINT ck_phase_ended_water_ml CHECK (water_ml >= 0),
	CONSTRAINT ck_phase_ended_stock_ml CHECK (stock_ml >= 0),
	CONSTRAINT fk_phase_ended_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "phase_ended" VALUES(3,1793649601000,1,'run phase_ended 1','phase phase_ended 1',1011,1008,1008,'why phase_ended 1');
INSERT INTO "phase_ended" VALUES(16,1793649602000,1,'run phase_ended 2','phase phase_ended 2',2011,2008,2008,'why phase_ended 2');
CREATE TABLE run_ended (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	state VARCHAR NOT NULL,
	outcome VARCHAR NOT NULL,
	why VARCHAR NOT NULL,
	water_ml INTEGER NOT NULL,
	duration_ms INTEGER NOT NULL,
	CONSTRAINT pk_run_ended PRIMARY KEY (seq),
	CONSTRAINT ck_run_ended_run CHECK (run <> ''),
	CONSTRAINT ck_run_ended_outcome CHECK (outcome IN ('DELIVERED', 'SHORT', 'OVER', 'NOT_RUN')),
	CONSTRAINT ck_run_ended_water_ml CHECK (water_ml >= 0),
	CONSTRAINT ck_run_ended_duration_ms CHECK (duration_ms >= 0),
	CONSTRAINT fk_run_ended_seq FOREIGN KEY(seq) REFERENCES seal (seq),
	CONSTRAINT uq_run_ended_run UNIQUE (run)
);
INSERT INTO "run_ended" VALUES(13,1793649601000,1,'run run_ended 1','state run_ended 1','DELIVERED','why run_ended 1',1008,1011);
INSERT INTO "run_ended" VALUES(26,1793649602000,1,'run run_ended 2','state run_ended 2','DELIVERED','why run_ended 2',2008,2011);
CREATE TABLE run_started (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	run VARCHAR NOT NULL,
	shift VARCHAR NOT NULL,
	site_digest VARCHAR NOT NULL,
	recipe VARCHAR NOT NULL,
	CONSTRAINT pk_run_started PRIMARY KEY (seq),
	CONSTRAINT ck_run_started_run CHECK (run <> ''),
	CONSTRAINT fk_run_started_seq FOREIGN KEY(seq) REFERENCES seal (seq),
	CONSTRAINT uq_run_started_run UNIQUE (run)
);
INSERT INTO "run_started" VALUES(2,1793649601000,1,'run run_started 1','shift run_started 1','site_digest run_started 1','recipe run_started 1');
INSERT INTO "run_started" VALUES(15,1793649602000,1,'run run_started 2','shift run_started 2','site_digest run_started 2','recipe run_started 2');
CREATE TABLE seal (
	seq INTEGER NOT NULL,
	kind VARCHAR NOT NULL,
	digest VARCHAR NOT NULL,
	CONSTRAINT pk_seal PRIMARY KEY (seq),
	CONSTRAINT ck_seal_kind CHECK (kind <> ''),
	CONSTRAINT ck_seal_digest CHECK (length(digest) = 64),
	CONSTRAINT uq_seal_digest UNIQUE (digest)
);
INSERT INTO "seal" VALUES(1,'meta','3c44b6c353851539ab5fd142840d6c7b40f2515034a343f3b70ae7f376b9dc7a');
INSERT INTO "seal" VALUES(2,'run_started','69bc26443962e81940602b38f7327dcb2a4fbfab7f3b64b4010d8da3bb1f6803');
INSERT INTO "seal" VALUES(3,'phase_ended','86d855541790544105746d2cba2516f445ed60daf05963e9c239239fb89eadb5');
INSERT INTO "seal" VALUES(4,'injection_intent','a1adab22766616a56a16db75209e36e90067387f78cf58d2490604018f1cecb9');
INSERT INTO "seal" VALUES(5,'checkpoint','fe9a5887ab7e96626a9157773c74268de7c4e2346c9b3c74a791b3fa91424ffc');
INSERT INTO "seal" VALUES(6,'dose','16bd6c3a749ec3f4ecb1ff80aff9ded69a71956a3e8470dfcd905128d6dc6379');
INSERT INTO "seal" VALUES(7,'flush_owed','4365cafef6af32bf453a2678ef66ddef8c89a1b034f6ad08d62fc6138e50488f');
INSERT INTO "seal" VALUES(8,'flush_cleared','c9f88499dcf16d7fc867226da089f9c2bca874ce7f2a3044226820dc209c49d8');
INSERT INTO "seal" VALUES(9,'alarm_raised','e7fe8c637184becd94fc4e281497d243832255d5c6907895dd6c7d9079d71bee');
INSERT INTO "seal" VALUES(10,'alarm_cleared','bddc8195f199fe2a8755f48bed7907afd59ad2c2137cbe05bbae2708d804c74c');
INSERT INTO "seal" VALUES(11,'command_answered','fafa7966395aeb8208710ed4e67b6029ff751b6fb3903388e8261bdc9e72f5dd');
INSERT INTO "seal" VALUES(12,'unscheduled','71a66d4406f93f50a5af2aa04d56e1c705a8afffa93a3d987da5aee492e3016e');
INSERT INTO "seal" VALUES(13,'run_ended','4f943b3becabc0d0030f2bcff21b849aad755e92025923474b75ab0fdd6827de');
INSERT INTO "seal" VALUES(14,'event','bee7f9ba494bb5036764320dd9b920bd193783a812915845f075cbca97bbf2a3');
INSERT INTO "seal" VALUES(15,'run_started','b7e44c22f385479d8174180c52085ef8b0d7b28a99311aa26c50c609911009e2');
INSERT INTO "seal" VALUES(16,'phase_ended','bde2a05681b7ac9c4dda3b6a71da5d290247e687ce86672e971ad89631b0b26e');
INSERT INTO "seal" VALUES(17,'injection_intent','726927c2bad0a6b97bafa5ecdecfe4ce6f50c6775087258c8961d8d396654b02');
INSERT INTO "seal" VALUES(18,'checkpoint','a187c79ca2596d69ed62520cfd60fbff346c5040001fbca760662547b1e99f58');
INSERT INTO "seal" VALUES(19,'dose','ae900b6dc3a406eb194858e06e60238f5310fa47184311ea6af12dd28f3e483c');
INSERT INTO "seal" VALUES(20,'flush_owed','54b8053c6864f5dfc3b5cd86613795e99fee75b57c0636824739e1290e345a91');
INSERT INTO "seal" VALUES(21,'flush_cleared','20326a8345b8357178bd5be9392cb171b6117095c010fd7b2db151ac53469eac');
INSERT INTO "seal" VALUES(22,'alarm_raised','9f7715afbe0707aea3ca425c34d5aa62d094c4477b5c5e34d6fe162de50501ee');
INSERT INTO "seal" VALUES(23,'alarm_cleared','b419b367c8b4b8bc6fa499fa5b2368fddf930ee1067e0131223cf9a6c8f1bfee');
INSERT INTO "seal" VALUES(24,'command_answered','34d3e1a6cc82dccda8ea79c53e82517f616f4987c894c620b8be116df0e3268f');
INSERT INTO "seal" VALUES(25,'unscheduled','53287eaed06cad3cab835cd1d43893bb9ff0886481d16445b82aa8f9e76e7184');
INSERT INTO "seal" VALUES(26,'run_ended','e3ec4e6f7db1bddf6840004f6508d3045d3f35c74782ef55adb85a50e7504f20');
INSERT INTO "seal" VALUES(27,'event','9af49c9285ae330558f2bf4f3c4547b86558987f0bae3ab60421a0d095a08995');
INSERT INTO "seal" VALUES(28,'decision','6d4e3c72725b278768fcf4de440df588111e13e89adc1e657bd098539411d51e');
INSERT INTO "seal" VALUES(29,'decision','57076f7505de2cbd4ffbb801686a65d8972fae2ed1dd8c3775f1e368daedabc8');
INSERT INTO "seal" VALUES(30,'decision','856a5b87283da35505a6ec1643f8221593029a853113ab041106542ba68d42b8');
CREATE TABLE unscheduled (
	seq INTEGER NOT NULL,
	at_ms INTEGER NOT NULL,
	trusted BOOLEAN NOT NULL,
	channel VARCHAR NOT NULL,
	volume_ml INTEGER NOT NULL,
	basis VARCHAR NOT NULL,
	why VARCHAR NOT NULL,
	CONSTRAINT pk_unscheduled PRIMARY KEY (seq),
	CONSTRAINT ck_unscheduled_channel CHECK (channel <> ''),
	CONSTRAINT ck_unscheduled_basis CHECK (basis IN ('measured', 'estimated')),
	CONSTRAINT fk_unscheduled_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "unscheduled" VALUES(12,1793649601000,1,'channel unscheduled 1',1009,'measured','why unscheduled 1');
INSERT INTO "unscheduled" VALUES(25,1793649602000,1,'channel unscheduled 2',2009,'measured','why unscheduled 2');
CREATE INDEX ix_phase_ended_run ON phase_ended (run);
CREATE INDEX ix_injection_intent_run ON injection_intent (run);
CREATE INDEX ix_checkpoint_run ON checkpoint (run);
CREATE INDEX ix_dose_run ON dose (run);
CREATE INDEX ix_flush_owed_segment ON flush_owed (segment);
CREATE INDEX ix_flush_cleared_segment ON flush_cleared (segment);
CREATE INDEX ix_alarm_raised_code ON alarm_raised (code);
CREATE INDEX ix_alarm_cleared_code ON alarm_cleared (code);
CREATE INDEX ix_command_answered_command ON command_answered (command);
CREATE INDEX ix_event_code ON event (code);
CREATE TRIGGER no_update_alarm_cleared BEFORE UPDATE ON alarm_cleared BEGIN SELECT RAISE(ABORT, 'alarm_cleared is append-only'); END;
CREATE TRIGGER no_delete_alarm_cleared BEFORE DELETE ON alarm_cleared BEGIN SELECT RAISE(ABORT, 'alarm_cleared is append-only'); END;
CREATE TRIGGER no_update_alarm_raised BEFORE UPDATE ON alarm_raised BEGIN SELECT RAISE(ABORT, 'alarm_raised is append-only'); END;
CREATE TRIGGER no_delete_alarm_raised BEFORE DELETE ON alarm_raised BEGIN SELECT RAISE(ABORT, 'alarm_raised is append-only'); END;
CREATE TRIGGER no_update_checkpoint BEFORE UPDATE ON checkpoint BEGIN SELECT RAISE(ABORT, 'checkpoint is append-only'); END;
CREATE TRIGGER no_delete_checkpoint BEFORE DELETE ON checkpoint BEGIN SELECT RAISE(ABORT, 'checkpoint is append-only'); END;
CREATE TRIGGER no_update_command_answered BEFORE UPDATE ON command_answered BEGIN SELECT RAISE(ABORT, 'command_answered is append-only'); END;
CREATE TRIGGER no_delete_command_answered BEFORE DELETE ON command_answered BEGIN SELECT RAISE(ABORT, 'command_answered is append-only'); END;
CREATE TRIGGER no_update_decision BEFORE UPDATE ON decision BEGIN SELECT RAISE(ABORT, 'decision is append-only'); END;
CREATE TRIGGER no_delete_decision BEFORE DELETE ON decision BEGIN SELECT RAISE(ABORT, 'decision is append-only'); END;
CREATE TRIGGER no_update_dose BEFORE UPDATE ON dose BEGIN SELECT RAISE(ABORT, 'dose is append-only'); END;
CREATE TRIGGER no_delete_dose BEFORE DELETE ON dose BEGIN SELECT RAISE(ABORT, 'dose is append-only'); END;
CREATE TRIGGER no_update_event BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'event is append-only'); END;
CREATE TRIGGER no_delete_event BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'event is append-only'); END;
CREATE TRIGGER no_update_flush_cleared BEFORE UPDATE ON flush_cleared BEGIN SELECT RAISE(ABORT, 'flush_cleared is append-only'); END;
CREATE TRIGGER no_delete_flush_cleared BEFORE DELETE ON flush_cleared BEGIN SELECT RAISE(ABORT, 'flush_cleared is append-only'); END;
CREATE TRIGGER no_update_flush_owed BEFORE UPDATE ON flush_owed BEGIN SELECT RAISE(ABORT, 'flush_owed is append-only'); END;
CREATE TRIGGER no_delete_flush_owed BEFORE DELETE ON flush_owed BEGIN SELECT RAISE(ABORT, 'flush_owed is append-only'); END;
CREATE TRIGGER no_update_injection_intent BEFORE UPDATE ON injection_intent BEGIN SELECT RAISE(ABORT, 'injection_intent is append-only'); END;
CREATE TRIGGER no_delete_injection_intent BEFORE DELETE ON injection_intent BEGIN SELECT RAISE(ABORT, 'injection_intent is append-only'); END;
CREATE TRIGGER no_update_meta BEFORE UPDATE ON meta BEGIN SELECT RAISE(ABORT, 'meta is append-only'); END;
CREATE TRIGGER no_delete_meta BEFORE DELETE ON meta BEGIN SELECT RAISE(ABORT, 'meta is append-only'); END;
CREATE TRIGGER no_update_phase_ended BEFORE UPDATE ON phase_ended BEGIN SELECT RAISE(ABORT, 'phase_ended is append-only'); END;
CREATE TRIGGER no_delete_phase_ended BEFORE DELETE ON phase_ended BEGIN SELECT RAISE(ABORT, 'phase_ended is append-only'); END;
CREATE TRIGGER no_update_run_ended BEFORE UPDATE ON run_ended BEGIN SELECT RAISE(ABORT, 'run_ended is append-only'); END;
CREATE TRIGGER no_delete_run_ended BEFORE DELETE ON run_ended BEGIN SELECT RAISE(ABORT, 'run_ended is append-only'); END;
CREATE TRIGGER no_update_run_started BEFORE UPDATE ON run_started BEGIN SELECT RAISE(ABORT, 'run_started is append-only'); END;
CREATE TRIGGER no_delete_run_started BEFORE DELETE ON run_started BEGIN SELECT RAISE(ABORT, 'run_started is append-only'); END;
CREATE TRIGGER no_update_seal BEFORE UPDATE ON seal BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END;
CREATE TRIGGER no_delete_seal BEFORE DELETE ON seal BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END;
CREATE TRIGGER no_update_unscheduled BEFORE UPDATE ON unscheduled BEGIN SELECT RAISE(ABORT, 'unscheduled is append-only'); END;
CREATE TRIGGER no_delete_unscheduled BEFORE DELETE ON unscheduled BEGIN SELECT RAISE(ABORT, 'unscheduled is append-only'); END;
COMMIT;
