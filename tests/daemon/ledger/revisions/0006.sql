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
INSERT INTO "alarm_cleared" VALUES(12,1793649600000,1,'code alarm_cleared 1');
INSERT INTO "alarm_cleared" VALUES(35,1793649601000,1,'code alarm_cleared 2');
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
INSERT INTO "alarm_raised" VALUES(11,1793649600000,1,'code alarm_raised 1','effect alarm_raised 1',1);
INSERT INTO "alarm_raised" VALUES(34,1793649601000,1,'code alarm_raised 2','effect alarm_raised 2',0);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0006');
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
INSERT INTO "checkpoint" VALUES(28,1793649601000,1,'run checkpoint 2','channel checkpoint 2','phase checkpoint 2',2008,2008,2014,2014);
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
INSERT INTO "command_answered" VALUES(15,1793649600000,1,'command command_answered 1','who command_answered 1','role command_answered 1','verb command_answered 1','arguments command_answered 1',1,'reason command_answered 1');
INSERT INTO "command_answered" VALUES(38,1793649601000,1,'command command_answered 2','who command_answered 2','role command_answered 2','verb command_answered 2','arguments command_answered 2',0,'reason command_answered 2');
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
INSERT INTO "decision" VALUES('shift','low',1,48,1793649602000,1,'{}','Mina');
INSERT INTO "decision" VALUES('stock','calcium',1,49,1793649602000,1,'{}','Mina');
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
INSERT INTO "dose" VALUES(29,1793649601000,1,'run dose 2','block dose 2','channel dose 2','nutrient dose 2','METER','measured',2010,2011,2012,2011,2007,2013,2014);
CREATE TABLE dose_reconciled (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	run VARCHAR NOT NULL, 
	channel VARCHAR NOT NULL, 
	meter_ml INTEGER NOT NULL, 
	u_meter_ml INTEGER NOT NULL, 
	tank_ml INTEGER NOT NULL, 
	u_tank_ml INTEGER NOT NULL, 
	ec_ml INTEGER NOT NULL, 
	u_ec_ml INTEGER NOT NULL, 
	dose_ml INTEGER NOT NULL, 
	u_dose_ml INTEGER NOT NULL, 
	volume_en_thousandths INTEGER NOT NULL, 
	strength_en_thousandths INTEGER NOT NULL, 
	tank_silent VARCHAR NOT NULL, 
	ec_silent VARCHAR NOT NULL, 
	causes VARCHAR NOT NULL, 
	beside VARCHAR NOT NULL, 
	CONSTRAINT pk_dose_reconciled PRIMARY KEY (seq), 
	CONSTRAINT ck_dose_reconciled_run CHECK (run <> ''), 
	CONSTRAINT ck_dose_reconciled_channel CHECK (channel <> ''), 
	CONSTRAINT ck_dose_reconciled_causes CHECK (causes <> ''), 
	CONSTRAINT ck_dose_reconciled_beside CHECK (beside <> ''), 
	CONSTRAINT ck_dose_reconciled_meter_ml CHECK (meter_ml >= 0), 
	CONSTRAINT ck_dose_reconciled_u_meter_ml CHECK (u_meter_ml >= 0), 
	CONSTRAINT ck_dose_reconciled_u_tank_ml CHECK (u_tank_ml >= 0), 
	CONSTRAINT ck_dose_reconciled_u_ec_ml CHECK (u_ec_ml >= 0), 
	CONSTRAINT ck_dose_reconciled_u_dose_ml CHECK (u_dose_ml >= 0), 
	CONSTRAINT fk_dose_reconciled_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "dose_reconciled" VALUES(7,1793649600000,1,'run dose_reconciled 1','channel dose_reconciled 1',1008,1010,1007,1009,1005,1007,1007,1009,1021,1023,'tank_silent dose_reconciled 1','ec_silent dose_reconciled 1','causes dose_reconciled 1','beside dose_reconciled 1');
INSERT INTO "dose_reconciled" VALUES(30,1793649601000,1,'run dose_reconciled 2','channel dose_reconciled 2',2008,2010,2007,2009,2005,2007,2007,2009,2021,2023,'tank_silent dose_reconciled 2','ec_silent dose_reconciled 2','causes dose_reconciled 2','beside dose_reconciled 2');
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
INSERT INTO "dose_restated" VALUES(8,1793649600000,1,'run dose_restated 1','block dose_restated 1','channel dose_restated 1','nutrient dose_restated 1','METER','measured',1010,1011,1012,1011,1007,1013,1014,'mix dose_restated 1','why dose_restated 1','who dose_restated 1');
INSERT INTO "dose_restated" VALUES(31,1793649601000,1,'run dose_restated 2','block dose_restated 2','channel dose_restated 2','nutrient dose_restated 2','METER','measured',2010,2011,2012,2011,2007,2013,2014,'mix dose_restated 2','why dose_restated 2','who dose_restated 2');
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
INSERT INTO "event" VALUES(18,1793649600000,1,'code event 1','detail event 1');
INSERT INTO "event" VALUES(41,1793649601000,1,'code event 2','detail event 2');
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
INSERT INTO "flush_cleared" VALUES(10,1793649600000,1,'segment flush_cleared 1','stock flush_cleared 1',1008,'why flush_cleared 1');
INSERT INTO "flush_cleared" VALUES(33,1793649601000,1,'segment flush_cleared 2','stock flush_cleared 2',2008,'why flush_cleared 2');
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
INSERT INTO "flush_owed" VALUES(9,1793649600000,1,'segment flush_owed 1','stock flush_owed 1','run flush_owed 1',1007);
INSERT INTO "flush_owed" VALUES(32,1793649601000,1,'segment flush_owed 2','stock flush_owed 2','run flush_owed 2',2007);
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
INSERT INTO "injection_intent" VALUES(27,1793649601000,1,'run injection_intent 2','channel injection_intent 2','stock injection_intent 2','batch injection_intent 2',2011,2007,'nutrients_ug_ml injection_intent 2');
CREATE TABLE lease_ended (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	lease VARCHAR NOT NULL, 
	target VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	CONSTRAINT pk_lease_ended PRIMARY KEY (seq), 
	CONSTRAINT ck_lease_ended_lease CHECK (lease <> ''), 
	CONSTRAINT ck_lease_ended_target CHECK (target <> ''), 
	CONSTRAINT fk_lease_ended_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "lease_ended" VALUES(14,1793649600000,1,'lease lease_ended 1','target lease_ended 1','why lease_ended 1');
INSERT INTO "lease_ended" VALUES(37,1793649601000,1,'lease lease_ended 2','target lease_ended 2','why lease_ended 2');
CREATE TABLE lease_granted (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	lease VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	target VARCHAR NOT NULL, 
	is_on BOOLEAN NOT NULL, 
	seconds INTEGER NOT NULL, 
	who VARCHAR NOT NULL, 
	reason VARCHAR NOT NULL, 
	CONSTRAINT pk_lease_granted PRIMARY KEY (seq), 
	CONSTRAINT ck_lease_granted_lease CHECK (lease <> ''), 
	CONSTRAINT ck_lease_granted_target CHECK (target <> ''), 
	CONSTRAINT ck_lease_granted_who CHECK (who <> ''), 
	CONSTRAINT ck_lease_granted_reason CHECK (reason <> ''), 
	CONSTRAINT ck_lease_granted_kind CHECK (kind IN ('force', 'bypass')), 
	CONSTRAINT ck_lease_granted_seconds CHECK (seconds > 0), 
	CONSTRAINT fk_lease_granted_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "lease_granted" VALUES(13,1793649600000,1,'lease lease_granted 1','force','target lease_granted 1',1,1007,'who lease_granted 1','reason lease_granted 1');
INSERT INTO "lease_granted" VALUES(36,1793649601000,1,'lease lease_granted 2','force','target lease_granted 2',0,2007,'who lease_granted 2','reason lease_granted 2');
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
CREATE TABLE night_planned (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	night VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	"plan" VARCHAR NOT NULL, 
	CONSTRAINT pk_night_planned PRIMARY KEY (seq), 
	CONSTRAINT ck_night_planned_night CHECK (night <> ''), 
	CONSTRAINT ck_night_planned_plan CHECK (plan <> ''), 
	CONSTRAINT fk_night_planned_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "night_planned" VALUES(20,1793649600000,1,'night night_planned 1','why night_planned 1','plan night_planned 1');
INSERT INTO "night_planned" VALUES(43,1793649601000,1,'night night_planned 2','why night_planned 2','plan night_planned 2');
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
INSERT INTO "phase_ended" VALUES(26,1793649601000,1,'run phase_ended 2','phase phase_ended 2',2011,2008,2008,'why phase_ended 2');
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
INSERT INTO "run_ended" VALUES(17,1793649600000,1,'run run_ended 1','ACCEPTED','DELIVERED','why run_ended 1',1008,1011);
INSERT INTO "run_ended" VALUES(40,1793649601000,1,'run run_ended 2','ACCEPTED','DELIVERED','why run_ended 2',2008,2011);
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
INSERT INTO "run_started" VALUES(25,1793649601000,1,'run run_started 2','shift run_started 2','site_digest run_started 2','recipe run_started 2');
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
INSERT INTO "seal" VALUES(7,'dose_reconciled','e9a53f16aa6111cf4347b45886ed576794afa39c548ececb30911290ed8ed43c');
INSERT INTO "seal" VALUES(8,'dose_restated','2dbefb093499f5c85bc84d45feee58eccb7bb66f5ae47621161f1f65e18eb565');
INSERT INTO "seal" VALUES(9,'flush_owed','4b494eb4ae826f93cc62c9dcc04f42fc50bb194c519f7965adbb6d93106bb6c3');
INSERT INTO "seal" VALUES(10,'flush_cleared','321400e3c8e4c6ebd3377d22e8379d0ea39ecc2b264d428fb1151455e72718b9');
INSERT INTO "seal" VALUES(11,'alarm_raised','8fdf124e2343fc197d021f8cbe9ef21f469c9b40f317f772ad404c0dc15a8ea7');
INSERT INTO "seal" VALUES(12,'alarm_cleared','d6f9210aa9070516637decb6b494ce21b5e1e51571d4ebb9565a0a13a32d79b3');
INSERT INTO "seal" VALUES(13,'lease_granted','7aca6cacc6efc00223c51e01c19a33a037dcd1f17c7a7f0e07d308098ed664d9');
INSERT INTO "seal" VALUES(14,'lease_ended','0d715b3d8707e3a18a0724b7cc75f759ccb154c43846a1398d86a223fb3cda4d');
INSERT INTO "seal" VALUES(15,'command_answered','c42b4fdea37bf63fa452f038f10ac1f178d74df5e178589af9385668041989d5');
INSERT INTO "seal" VALUES(16,'unscheduled','f302eeacab74fc975be6c0dbed271b47f3b04b54188768fa6bffb55f4263f23f');
INSERT INTO "seal" VALUES(17,'run_ended','8ef317f2f735d04e8be836e714b30d0e29f7d367d032051738835cdb9426848c');
INSERT INTO "seal" VALUES(18,'event','e0d4a0bea7992e53346298ace685f0a0d651bc876199a1aa2ae6703b77dbe7fc');
INSERT INTO "seal" VALUES(19,'start_claimed','d6d83f4ffa26b0a17774c3c80de5da43a6a67071136d839104a30e5a660a0ef8');
INSERT INTO "seal" VALUES(20,'night_planned','10f8385e43838a1eab3603b1239688b9766f220b1f56f59ea1e3f5ddf51107de');
INSERT INTO "seal" VALUES(21,'step_begun','b945cbe0a388f7523bdb69399af7b0b926b79a8981e1410be08080bfb40ed2b8');
INSERT INTO "seal" VALUES(22,'step_entered','5400100a3f930c2ea6e4b0a2759a47df91fadc8220632077434cd78a20eed6c0');
INSERT INTO "seal" VALUES(23,'step_turned','7f936e90bbc7c7c3c202122e00a82875485f0693bda1e3d74bae1adec387f446');
INSERT INTO "seal" VALUES(24,'step_ended','d38c1eedc4884e542254fd6699fdd03b44c4d4d2fd3d7bd2822f206cd1c1563d');
INSERT INTO "seal" VALUES(25,'run_started','0274e82b453a1bc7bf9325b647ebc8823f40447cfa992f282c13190e4e23fc3f');
INSERT INTO "seal" VALUES(26,'phase_ended','0ffe76dc2a488de390e758d2aec1135e34502386914d8e7a59ad05213ab2d93a');
INSERT INTO "seal" VALUES(27,'injection_intent','e3a3bb8cfe652e89b558cd74aef712e6617b12a9e63552f2b253bdf228df149b');
INSERT INTO "seal" VALUES(28,'checkpoint','d4702e2014df71193010c7da2dac93cf96667f49477af25267d74b6209e4ba34');
INSERT INTO "seal" VALUES(29,'dose','3de722e545bbc3413bc8dd40c686aa2068a327eac3a20615f521cf481bba403b');
INSERT INTO "seal" VALUES(30,'dose_reconciled','7383c9b4fa8719396837ca7783a13a503b43dc8226c11916f915c60dff126585');
INSERT INTO "seal" VALUES(31,'dose_restated','7bf76ca593c65f49d1d6ed52717e613b787b00be1a193cf83c97b8a95b4ffdf7');
INSERT INTO "seal" VALUES(32,'flush_owed','87cb6aafbbc7405d499cfe3b9bfe68995cc84e6e56051acaac01a252c69348cb');
INSERT INTO "seal" VALUES(33,'flush_cleared','473ff091f41d22447b54f33f47446dfcd5bdc8f34af2fa8b286fecc74276263c');
INSERT INTO "seal" VALUES(34,'alarm_raised','4f9029ddf9c652bcb15fafcecb9fabfcfdf20670c486ffc936eb953ec6087dab');
INSERT INTO "seal" VALUES(35,'alarm_cleared','ca35ee33d635854dc3668b4884e0dcd0cc78dfef82492e70bcdb09b510e9d531');
INSERT INTO "seal" VALUES(36,'lease_granted','53fb11d21ff44139b5174390262933daa06047ab84ff3d8c127e2295b81f7e8c');
INSERT INTO "seal" VALUES(37,'lease_ended','73c0d7096b6bf8e02f476542a1a27476a1e0a842b91c1f3374e162e540cd50a0');
INSERT INTO "seal" VALUES(38,'command_answered','03f17a16bbbe6befbbf666b48b96346df59403c140a90a1d9bbfaed139595142');
INSERT INTO "seal" VALUES(39,'unscheduled','a420d8046c6a1d6b8aae2d6525e13171eae130597e46def6a4bc918ecaf9986a');
INSERT INTO "seal" VALUES(40,'run_ended','c26196b238e83b0c2ba491a2d1985a386be3b2c19a649057da0451f8bc11cfd8');
INSERT INTO "seal" VALUES(41,'event','3fb667b0a62d78c2ea100d5a651b556740bd4813b587da4c99dad785a022b275');
INSERT INTO "seal" VALUES(42,'start_claimed','f85eadfd640fb9684e758d00519a139279c90d07a419bd207cf42570244573f5');
INSERT INTO "seal" VALUES(43,'night_planned','19b00212dc85b0aeb95394f17ec63cc64a9b3191c31799e06b417187f77fcf28');
INSERT INTO "seal" VALUES(44,'step_begun','97b9b07a02b4e2fb892556fc8171357e08f69d89bac54d5aa0436039669637ff');
INSERT INTO "seal" VALUES(45,'step_entered','8dd077367c6aac9cbde3e10026d36523a8ee87ed1ac6500042c52e9045e79fbb');
INSERT INTO "seal" VALUES(46,'step_turned','e0da6f896ea27818619f37bae08ed343b7b09ad3897b9cc373b9bacdba34bef5');
INSERT INTO "seal" VALUES(47,'step_ended','a376d2b2b62e7da6cfd5e1b9feec72b787b4e494ad6dcfc439df500c9b037922');
INSERT INTO "seal" VALUES(48,'decision','c469b4cadd6a8b62041b2c3ec4bc03fb5bea827f5201a4e138e71dbefe2ba38b');
INSERT INTO "seal" VALUES(49,'decision','b0d5ebe7386b2029318c061791d085c276cf552bf35383c4a487651caa0b37e6');
CREATE TABLE start_claimed (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	timetable VARCHAR NOT NULL, 
	number INTEGER NOT NULL, 
	night VARCHAR NOT NULL, 
	part INTEGER NOT NULL, 
	due_ms INTEGER NOT NULL, 
	programs VARCHAR NOT NULL, 
	command VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	CONSTRAINT pk_start_claimed PRIMARY KEY (seq), 
	CONSTRAINT ck_start_claimed_timetable CHECK (timetable <> ''), 
	CONSTRAINT ck_start_claimed_night CHECK (night <> ''), 
	CONSTRAINT ck_start_claimed_number CHECK (number >= 0), 
	CONSTRAINT ck_start_claimed_part CHECK (part >= 0), 
	CONSTRAINT uq_start_claimed_timetable_number_night_part UNIQUE (timetable, number, night, part), 
	CONSTRAINT fk_start_claimed_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "start_claimed" VALUES(19,1793649600000,1,'timetable start_claimed 1',1006,'night start_claimed 1',1004,1006,'programs start_claimed 1','command start_claimed 1','why start_claimed 1');
INSERT INTO "start_claimed" VALUES(42,1793649601000,1,'timetable start_claimed 2',2006,'night start_claimed 2',2004,2006,'programs start_claimed 2','command start_claimed 2','why start_claimed 2');
CREATE TABLE step_begun (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	attempt VARCHAR NOT NULL, 
	step VARCHAR NOT NULL, 
	subject VARCHAR NOT NULL, 
	section VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	CONSTRAINT pk_step_begun PRIMARY KEY (seq), 
	CONSTRAINT uq_step_begun_attempt UNIQUE (attempt), 
	CONSTRAINT ck_step_begun_attempt CHECK (attempt <> ''), 
	CONSTRAINT ck_step_begun_step CHECK (step <> ''), 
	CONSTRAINT ck_step_begun_subject CHECK (subject <> ''), 
	CONSTRAINT ck_step_begun_who CHECK (who <> ''), 
	CONSTRAINT fk_step_begun_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "step_begun" VALUES(21,1793649600000,1,'attempt step_begun 1','step step_begun 1','subject step_begun 1','section step_begun 1','who step_begun 1');
INSERT INTO "step_begun" VALUES(44,1793649601000,1,'attempt step_begun 2','step step_begun 2','subject step_begun 2','section step_begun 2','who step_begun 2');
CREATE TABLE step_ended (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	attempt VARCHAR NOT NULL, 
	state VARCHAR NOT NULL, 
	verdict VARCHAR NOT NULL, 
	result VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	CONSTRAINT pk_step_ended PRIMARY KEY (seq), 
	CONSTRAINT uq_step_ended_attempt UNIQUE (attempt), 
	CONSTRAINT ck_step_ended_attempt CHECK (attempt <> ''), 
	CONSTRAINT ck_step_ended_who CHECK (who <> ''), 
	CONSTRAINT ck_step_ended_state CHECK (state IN ('ACCEPTED', 'ABORTED')), 
	CONSTRAINT fk_step_ended_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "step_ended" VALUES(24,1793649600000,1,'attempt step_ended 1','ACCEPTED','verdict step_ended 1','result step_ended 1','why step_ended 1','who step_ended 1');
INSERT INTO "step_ended" VALUES(47,1793649601000,1,'attempt step_ended 2','ACCEPTED','verdict step_ended 2','result step_ended 2','why step_ended 2','who step_ended 2');
CREATE TABLE step_entered (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	attempt VARCHAR NOT NULL, 
	stage VARCHAR NOT NULL, 
	brought VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	CONSTRAINT pk_step_entered PRIMARY KEY (seq), 
	CONSTRAINT ck_step_entered_attempt CHECK (attempt <> ''), 
	CONSTRAINT ck_step_entered_stage CHECK (stage <> ''), 
	CONSTRAINT ck_step_entered_brought CHECK (brought <> ''), 
	CONSTRAINT ck_step_entered_who CHECK (who <> ''), 
	CONSTRAINT fk_step_entered_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "step_entered" VALUES(22,1793649600000,1,'attempt step_entered 1','stage step_entered 1','brought step_entered 1','who step_entered 1');
INSERT INTO "step_entered" VALUES(45,1793649601000,1,'attempt step_entered 2','stage step_entered 2','brought step_entered 2','who step_entered 2');
CREATE TABLE step_turned (
	seq INTEGER NOT NULL, 
	at_ms INTEGER NOT NULL, 
	trusted BOOLEAN NOT NULL, 
	attempt VARCHAR NOT NULL, 
	stage VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	CONSTRAINT pk_step_turned PRIMARY KEY (seq), 
	CONSTRAINT ck_step_turned_attempt CHECK (attempt <> ''), 
	CONSTRAINT ck_step_turned_why CHECK (why <> ''), 
	CONSTRAINT ck_step_turned_who CHECK (who <> ''), 
	CONSTRAINT fk_step_turned_seq FOREIGN KEY(seq) REFERENCES seal (seq)
);
INSERT INTO "step_turned" VALUES(23,1793649600000,1,'attempt step_turned 1','stage step_turned 1','why step_turned 1','who step_turned 1');
INSERT INTO "step_turned" VALUES(46,1793649601000,1,'attempt step_turned 2','stage step_turned 2','why step_turned 2','who step_turned 2');
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
INSERT INTO "unscheduled" VALUES(16,1793649600000,1,'channel unscheduled 1',1009,'measured','why unscheduled 1');
INSERT INTO "unscheduled" VALUES(39,1793649601000,1,'channel unscheduled 2',2009,'measured','why unscheduled 2');
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
CREATE INDEX ix_start_claimed_night ON start_claimed (night);
CREATE TRIGGER no_update_start_claimed BEFORE UPDATE ON start_claimed BEGIN SELECT RAISE(ABORT, 'start_claimed is append-only'); END;
CREATE TRIGGER no_delete_start_claimed BEFORE DELETE ON start_claimed BEGIN SELECT RAISE(ABORT, 'start_claimed is append-only'); END;
CREATE INDEX ix_night_planned_night ON night_planned (night);
CREATE TRIGGER no_update_night_planned BEFORE UPDATE ON night_planned BEGIN SELECT RAISE(ABORT, 'night_planned is append-only'); END;
CREATE TRIGGER no_delete_night_planned BEFORE DELETE ON night_planned BEGIN SELECT RAISE(ABORT, 'night_planned is append-only'); END;
CREATE INDEX ix_lease_granted_lease ON lease_granted (lease);
CREATE TRIGGER no_update_lease_granted BEFORE UPDATE ON lease_granted BEGIN SELECT RAISE(ABORT, 'lease_granted is append-only'); END;
CREATE TRIGGER no_delete_lease_granted BEFORE DELETE ON lease_granted BEGIN SELECT RAISE(ABORT, 'lease_granted is append-only'); END;
CREATE INDEX ix_lease_ended_lease ON lease_ended (lease);
CREATE TRIGGER no_update_lease_ended BEFORE UPDATE ON lease_ended BEGIN SELECT RAISE(ABORT, 'lease_ended is append-only'); END;
CREATE TRIGGER no_delete_lease_ended BEFORE DELETE ON lease_ended BEGIN SELECT RAISE(ABORT, 'lease_ended is append-only'); END;
CREATE INDEX ix_dose_reconciled_run ON dose_reconciled (run);
CREATE TRIGGER no_update_dose_reconciled BEFORE UPDATE ON dose_reconciled BEGIN SELECT RAISE(ABORT, 'dose_reconciled is append-only'); END;
CREATE TRIGGER no_delete_dose_reconciled BEFORE DELETE ON dose_reconciled BEGIN SELECT RAISE(ABORT, 'dose_reconciled is append-only'); END;
CREATE INDEX ix_step_begun_step ON step_begun (step);
CREATE TRIGGER no_update_step_begun BEFORE UPDATE ON step_begun BEGIN SELECT RAISE(ABORT, 'step_begun is append-only'); END;
CREATE TRIGGER no_delete_step_begun BEFORE DELETE ON step_begun BEGIN SELECT RAISE(ABORT, 'step_begun is append-only'); END;
CREATE INDEX ix_step_entered_attempt ON step_entered (attempt);
CREATE TRIGGER no_update_step_entered BEFORE UPDATE ON step_entered BEGIN SELECT RAISE(ABORT, 'step_entered is append-only'); END;
CREATE TRIGGER no_delete_step_entered BEFORE DELETE ON step_entered BEGIN SELECT RAISE(ABORT, 'step_entered is append-only'); END;
CREATE INDEX ix_step_turned_attempt ON step_turned (attempt);
CREATE TRIGGER no_update_step_turned BEFORE UPDATE ON step_turned BEGIN SELECT RAISE(ABORT, 'step_turned is append-only'); END;
CREATE TRIGGER no_delete_step_turned BEFORE DELETE ON step_turned BEGIN SELECT RAISE(ABORT, 'step_turned is append-only'); END;
CREATE TRIGGER no_update_step_ended BEFORE UPDATE ON step_ended BEGIN SELECT RAISE(ABORT, 'step_ended is append-only'); END;
CREATE TRIGGER no_delete_step_ended BEFORE DELETE ON step_ended BEGIN SELECT RAISE(ABORT, 'step_ended is append-only'); END;
COMMIT;
