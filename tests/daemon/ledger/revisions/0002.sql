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
INSERT INTO "alarm_cleared" VALUES(11,1793649600000,1,'code alarm_cleared 1');
INSERT INTO "alarm_cleared" VALUES(25,1793649601000,1,'code alarm_cleared 2');
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
INSERT INTO "alarm_raised" VALUES(10,1793649600000,1,'code alarm_raised 1','effect alarm_raised 1',1);
INSERT INTO "alarm_raised" VALUES(24,1793649601000,1,'code alarm_raised 2','effect alarm_raised 2',0);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
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
INSERT INTO "checkpoint" VALUES(5,1793649600000,1,'run checkpoint 1','channel checkpoint 1','phase checkpoint 1',1008,1008,1014,1014);
INSERT INTO "checkpoint" VALUES(19,1793649601000,1,'run checkpoint 2','channel checkpoint 2','phase checkpoint 2',2008,2008,2014,2014);
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
INSERT INTO "command_answered" VALUES(12,1793649600000,1,'command command_answered 1','who command_answered 1','role command_answered 1','verb command_answered 1','arguments command_answered 1',1,'reason command_answered 1');
INSERT INTO "command_answered" VALUES(26,1793649601000,1,'command command_answered 2','who command_answered 2','role command_answered 2','verb command_answered 2','arguments command_answered 2',0,'reason command_answered 2');
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
INSERT INTO "decision" VALUES('shift','low',1,30,1793649602000,1,'{}','Mina');
INSERT INTO "decision" VALUES('stock','calcium',1,31,1793649602000,1,'{}','Mina');
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
INSERT INTO "dose" VALUES(6,1793649600000,1,'run dose 1','block dose 1','channel dose 1','nutrient dose 1','METER','measured',1010,1011,1012,1011,1007,1013,1014);
INSERT INTO "dose" VALUES(20,1793649601000,1,'run dose 2','block dose 2','channel dose 2','nutrient dose 2','METER','measured',2010,2011,2012,2011,2007,2013,2014);
CREATE TABLE dose_restated (
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
	mix VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	CONSTRAINT pk_dose_restated PRIMARY KEY (seq), 
	CONSTRAINT ck_dose_restated_run CHECK (run <> ''), 
	CONSTRAINT ck_dose_restated_block CHECK (block <> ''), 
	CONSTRAINT ck_dose_restated_channel CHECK (channel <> ''), 
	CONSTRAINT ck_dose_restated_nutrient CHECK (nutrient <> ''), 
	CONSTRAINT ck_dose_restated_mix CHECK (mix <> ''), 
	CONSTRAINT ck_dose_restated_why CHECK (why <> ''), 
	CONSTRAINT ck_dose_restated_who CHECK (who <> ''), 
	CONSTRAINT ck_dose_restated_estimate CHECK (estimate IN ('METER', 'TANK')), 
	CONSTRAINT ck_dose_restated_basis CHECK (basis IN ('measured', 'estimated')), 
	CONSTRAINT ck_dose_restated_planned_mg CHECK (planned_mg >= 0), 
	CONSTRAINT ck_dose_restated_u_injected_mg CHECK (u_injected_mg >= 0), 
	CONSTRAINT ck_dose_restated_u_delivered_mg CHECK (u_delivered_mg >= 0), 
	CONSTRAINT fk_dose_restated_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "dose_restated" VALUES(7,1793649600000,1,'run dose_restated 1','block dose_restated 1','channel dose_restated 1','nutrient dose_restated 1','METER','measured',1010,1011,1012,1011,1007,1013,1014,'mix dose_restated 1','why dose_restated 1','who dose_restated 1');
INSERT INTO "dose_restated" VALUES(21,1793649601000,1,'run dose_restated 2','block dose_restated 2','channel dose_restated 2','nutrient dose_restated 2','METER','measured',2010,2011,2012,2011,2007,2013,2014,'mix dose_restated 2','why dose_restated 2','who dose_restated 2');
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
INSERT INTO "event" VALUES(15,1793649600000,1,'code event 1','detail event 1');
INSERT INTO "event" VALUES(29,1793649601000,1,'code event 2','detail event 2');
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
INSERT INTO "flush_cleared" VALUES(9,1793649600000,1,'segment flush_cleared 1','stock flush_cleared 1',1008,'why flush_cleared 1');
INSERT INTO "flush_cleared" VALUES(23,1793649601000,1,'segment flush_cleared 2','stock flush_cleared 2',2008,'why flush_cleared 2');
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
INSERT INTO "flush_owed" VALUES(8,1793649600000,1,'segment flush_owed 1','stock flush_owed 1','run flush_owed 1',1007);
INSERT INTO "flush_owed" VALUES(22,1793649601000,1,'segment flush_owed 2','stock flush_owed 2','run flush_owed 2',2007);
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
INSERT INTO "injection_intent" VALUES(4,1793649600000,1,'run injection_intent 1','channel injection_intent 1','stock injection_intent 1','batch injection_intent 1',1011,1007,'nutrients_ug_ml injection_intent 1');
INSERT INTO "injection_intent" VALUES(18,1793649601000,1,'run injection_intent 2','channel injection_intent 2','stock injection_intent 2','batch injection_intent 2',2011,2007,'nutrients_ug_ml injection_intent 2');
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
INSERT INTO "meta" VALUES(1,1793649600000,1,'simulated','');
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
INSERT INTO "phase_ended" VALUES(3,1793649600000,1,'run phase_ended 1','phase phase_ended 1',1011,1008,1008,'why phase_ended 1');
INSERT INTO "phase_ended" VALUES(17,1793649601000,1,'run phase_ended 2','phase phase_ended 2',2011,2008,2008,'why phase_ended 2');
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
INSERT INTO "run_ended" VALUES(14,1793649600000,1,'run run_ended 1','state run_ended 1','DELIVERED','why run_ended 1',1008,1011);
INSERT INTO "run_ended" VALUES(28,1793649601000,1,'run run_ended 2','state run_ended 2','DELIVERED','why run_ended 2',2008,2011);
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
INSERT INTO "run_started" VALUES(2,1793649600000,1,'run run_started 1','shift run_started 1','site_digest run_started 1','recipe run_started 1');
INSERT INTO "run_started" VALUES(16,1793649601000,1,'run run_started 2','shift run_started 2','site_digest run_started 2','recipe run_started 2');
CREATE TABLE seal (
	seq INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	digest VARCHAR NOT NULL, 
	CONSTRAINT pk_seal PRIMARY KEY (seq), 
	CONSTRAINT ck_seal_kind CHECK (kind <> ''), 
	CONSTRAINT ck_seal_digest CHECK (length(digest) = 64), 
	CONSTRAINT uq_seal_digest UNIQUE (digest)
);
INSERT INTO "seal" VALUES(1,'meta','d23e71151f25e394f76495bf45bfc6b26b1848ca07c52c5cc2b884a60294c38c');
INSERT INTO "seal" VALUES(2,'run_started','449e82f8c5a114f7314094cfbf12194d7a0dba50dc946265375c5c887cf2c6db');
INSERT INTO "seal" VALUES(3,'phase_ended','1954db8999ce05c8f93b5cebb3b72b104ba0530eca329776bfc4845db79589f8');
INSERT INTO "seal" VALUES(4,'injection_intent','267391650c356742d9c47ddec8e8b6170b61077c4b0089c8720f6f5b38a0fb04');
INSERT INTO "seal" VALUES(5,'checkpoint','5532f6cb2e873d1b915750a84965d23d6aad9805b16f03e853a988f6869492f3');
INSERT INTO "seal" VALUES(6,'dose','afff15de33ea346980642564208c1101ac5b8a772f1f845dd699a335b36e0dd2');
INSERT INTO "seal" VALUES(7,'dose_restated','7b9e1fad8358dd4b5423f13efe473686534b6b8b995c1b1830717ad4dae55398');
INSERT INTO "seal" VALUES(8,'flush_owed','438847be52c3514a597697a1e3ac53e3e6750ea189d03107147e777edefc18c3');
INSERT INTO "seal" VALUES(9,'flush_cleared','9de1a96e484fc5ed2dcaf2e09a991dd8079d3684e866d261c4d59d890d446c13');
INSERT INTO "seal" VALUES(10,'alarm_raised','04b566bc5cefd890733ae486f413b01cc711c3bcb8ba5aa256ab5ceedae36fd2');
INSERT INTO "seal" VALUES(11,'alarm_cleared','7d9a2ec68c49a4e53df4cfa4566e4a193bf21f769d177a685f2df3f4d4cd7567');
INSERT INTO "seal" VALUES(12,'command_answered','596e471d3ac11c378755f15c882c3db275073f2ff3752935edad3ec254cf5ace');
INSERT INTO "seal" VALUES(13,'unscheduled','fcaa1852f13634d80c4db996664382fcfec5e2650e37feb7cbb7a3d7b2c6e2ef');
INSERT INTO "seal" VALUES(14,'run_ended','57079a32c2b7bdeaea83621401e4739f5c14c2d94ddb4b0c5a7e3cd42eee4b50');
INSERT INTO "seal" VALUES(15,'event','c9876d41b63258a6249973dfcac888b6942c6d9725c68e597f79d74b70f37ded');
INSERT INTO "seal" VALUES(16,'run_started','4633b55a0af6172e884330788d65493e9abcb9be8c339bdd151286c54710dd77');
INSERT INTO "seal" VALUES(17,'phase_ended','724d89c897071a3706a1529b75264405b205767f3d0c6277382ba844bd3bd14a');
INSERT INTO "seal" VALUES(18,'injection_intent','bc603d0b72db4cf2b6e943f9da552bf7cc85c4a2c262292d52cb90298afd1651');
INSERT INTO "seal" VALUES(19,'checkpoint','e52cea5c5c0e1b4cdb7736a952d6ee7cbb8834e42299f374a7f22ed46b78986d');
INSERT INTO "seal" VALUES(20,'dose','cab82556108b9c78d5ad9170526e814a44060307ceb480f6f85355bf60271689');
INSERT INTO "seal" VALUES(21,'dose_restated','dcfff11af757e1da00015c9fbc56f948ddaedcf6546f6de5799e191abe1b2dce');
INSERT INTO "seal" VALUES(22,'flush_owed','8df392191602bbf70fa758ca9ce6f67c8553c112c209928cd36f2c285b5fb514');
INSERT INTO "seal" VALUES(23,'flush_cleared','3dde324f23569c7d90e8af226dab9ab4e47ca19bc07abaf9c23c3adef37b269f');
INSERT INTO "seal" VALUES(24,'alarm_raised','2bd3437671a015b5cada7685523ea902ab33d0f81bce9486566d9fd2a125d11a');
INSERT INTO "seal" VALUES(25,'alarm_cleared','bfe31f0f4d74de17b3eb0830e0ca58d2cbd21dd98255ce13d6d5a1b79be46d98');
INSERT INTO "seal" VALUES(26,'command_answered','09d4d7edc5da1c2eb9a388cb3604f3d8add090ee982ea4692e253ecaaf9d1c3c');
INSERT INTO "seal" VALUES(27,'unscheduled','e830d3ddd08b3e15af014c0460acd842ce2fc697e33f34cb6f5e68f33aba6f86');
INSERT INTO "seal" VALUES(28,'run_ended','8eeadffd7df177fbe381228bdf2b852b2d7f7d0fa3bbf5b0e873e5c4fa493f21');
INSERT INTO "seal" VALUES(29,'event','5bdebd43d12597915e4834e75dd32cb054c506acb24a6869eecf52ae90a78899');
INSERT INTO "seal" VALUES(30,'decision','f30a070fe2200eb1219f493514ff13449162c735ce810e6fef49378c27c2f901');
INSERT INTO "seal" VALUES(31,'decision','273e779620f94cdfebee00d7963b86f227dd4116c9b38aabf4f2367d5d3572b5');
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
INSERT INTO "unscheduled" VALUES(13,1793649600000,1,'channel unscheduled 1',1009,'measured','why unscheduled 1');
INSERT INTO "unscheduled" VALUES(27,1793649601000,1,'channel unscheduled 2',2009,'measured','why unscheduled 2');
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
CREATE INDEX ix_dose_restated_run ON dose_restated (run);
CREATE TRIGGER no_update_dose_restated BEFORE UPDATE ON dose_restated BEGIN SELECT RAISE(ABORT, 'dose_restated is append-only'); END;
CREATE TRIGGER no_delete_dose_restated BEFORE DELETE ON dose_restated BEGIN SELECT RAISE(ABORT, 'dose_restated is append-only'); END;
COMMIT;
