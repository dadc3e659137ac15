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
INSERT INTO "alarm_cleared" VALUES(31,1793649601000,1,'code alarm_cleared 2');
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
INSERT INTO "alarm_raised" VALUES(30,1793649601000,1,'code alarm_raised 2','effect alarm_raised 2',0);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0005');
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
INSERT INTO "checkpoint" VALUES(24,1793649601000,1,'run checkpoint 2','channel checkpoint 2','phase checkpoint 2',2008,2008,2014,2014);
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
INSERT INTO "command_answered" VALUES(34,1793649601000,1,'command command_answered 2','who command_answered 2','role command_answered 2','verb command_answered 2','arguments command_answered 2',0,'reason command_answered 2');
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
INSERT INTO "decision" VALUES('shift','low',1,40,1793649602000,1,'{}','Mina');
INSERT INTO "decision" VALUES('stock','calcium',1,41,1793649602000,1,'{}','Mina');
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
INSERT INTO "dose" VALUES(25,1793649601000,1,'run dose 2','block dose 2','channel dose 2','nutrient dose 2','METER','measured',2010,2011,2012,2011,2007,2013,2014);
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
INSERT INTO "dose_reconciled" VALUES(26,1793649601000,1,'run dose_reconciled 2','channel dose_reconciled 2',2008,2010,2007,2009,2005,2007,2007,2009,2021,2023,'tank_silent dose_reconciled 2','ec_silent dose_reconciled 2','causes dose_reconciled 2','beside dose_reconciled 2');
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
INSERT INTO "dose_restated" VALUES(27,1793649601000,1,'run dose_restated 2','block dose_restated 2','channel dose_restated 2','nutrient dose_restated 2','METER','measured',2010,2011,2012,2011,2007,2013,2014,'mix dose_restated 2','why dose_restated 2','who dose_restated 2');
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
INSERT INTO "event" VALUES(37,1793649601000,1,'code event 2','detail event 2');
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
INSERT INTO "flush_cleared" VALUES(29,1793649601000,1,'segment flush_cleared 2','stock flush_cleared 2',2008,'why flush_cleared 2');
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
INSERT INTO "flush_owed" VALUES(28,1793649601000,1,'segment flush_owed 2','stock flush_owed 2','run flush_owed 2',2007);
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
INSERT INTO "injection_intent" VALUES(23,1793649601000,1,'run injection_intent 2','channel injection_intent 2','stock injection_intent 2','batch injection_intent 2',2011,2007,'nutrients_ug_ml injection_intent 2');
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
INSERT INTO "lease_ended" VALUES(33,1793649601000,1,'lease lease_ended 2','target lease_ended 2','why lease_ended 2');
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
INSERT INTO "lease_granted" VALUES(32,1793649601000,1,'lease lease_granted 2','force','target lease_granted 2',0,2007,'who lease_granted 2','reason lease_granted 2');
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
INSERT INTO "night_planned" VALUES(39,1793649601000,1,'night night_planned 2','why night_planned 2','plan night_planned 2');
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
INSERT INTO "phase_ended" VALUES(22,1793649601000,1,'run phase_ended 2','phase phase_ended 2',2011,2008,2008,'why phase_ended 2');
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
INSERT INTO "run_ended" VALUES(17,1793649600000,1,'run run_ended 1','state run_ended 1','DELIVERED','why run_ended 1',1008,1011);
INSERT INTO "run_ended" VALUES(36,1793649601000,1,'run run_ended 2','state run_ended 2','DELIVERED','why run_ended 2',2008,2011);
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
INSERT INTO "run_started" VALUES(21,1793649601000,1,'run run_started 2','shift run_started 2','site_digest run_started 2','recipe run_started 2');
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
INSERT INTO "seal" VALUES(17,'run_ended','bf9c2f5bf9dd1f5f25724c5396e267ec6e75cf4c5f06f97d2975ac268869b6ea');
INSERT INTO "seal" VALUES(18,'event','8f6007530ab44d739d19700a17ccf1bda786e947d5e2a36d576897178f1b897a');
INSERT INTO "seal" VALUES(19,'start_claimed','e606ca134bcb1d03e81e8ebb8abab57abad7dae8966f5d204f3c0d5151a9420d');
INSERT INTO "seal" VALUES(20,'night_planned','a2bcc082e16dcfd2c870761bd0e3b5b12c3c8f82f951f7b838f91e9b37eb0c63');
INSERT INTO "seal" VALUES(21,'run_started','3cc967eb47ad68904d9595c56d7cf6af1f24732ea54af9e5f735c66e972397b4');
INSERT INTO "seal" VALUES(22,'phase_ended','04095d30c7ea7895d1976e25277c49a80cfe766842c8bd6ea247670cdc843872');
INSERT INTO "seal" VALUES(23,'injection_intent','4c70b732fb6958b20efe4c373ae158b556237ec870652f8c6e195cc60205ce1d');
INSERT INTO "seal" VALUES(24,'checkpoint','7d0cfdf3d795177c42c008968a6a3fee05cb5adb5a5b6b8e3fbf48a89e0d45a8');
INSERT INTO "seal" VALUES(25,'dose','2db1b29fb30b741287404221dd74a8b995056dd2c21da6d77b4ad4c19199c430');
INSERT INTO "seal" VALUES(26,'dose_reconciled','bc006fe881965266a767fc029a009a88ec33c014b0202abfa1b90134e077e2f2');
INSERT INTO "seal" VALUES(27,'dose_restated','9a055beeb74d498c90f8b0e47b263d2da68cd2e54df530ece134ee88cad9f3b0');
INSERT INTO "seal" VALUES(28,'flush_owed','d4d53f8ea42d13d276a4ef0363bdc8bcb3d4ef1d4e7ea4f70f249f7b9b84f016');
INSERT INTO "seal" VALUES(29,'flush_cleared','b5950bac07ef901c5885aa91cb5c94880fee3365102f8f2458873fa75de6a47e');
INSERT INTO "seal" VALUES(30,'alarm_raised','f99609a16ab4d8ba3f3ad751daf1abcfb40be676b440f8c9732ddb6c156bdf50');
INSERT INTO "seal" VALUES(31,'alarm_cleared','0f8aa7618561c74d10928fc51f6740fb6d75baaade69834761da1862ccf6d965');
INSERT INTO "seal" VALUES(32,'lease_granted','3d42bca1f07202f3d9e0e88e4a274358b80b34999747364886533407f544e3c3');
INSERT INTO "seal" VALUES(33,'lease_ended','36bbe421b0f8c882ef525165cf1bd531e9a6f73c75c07e2c7b20cc2f952e1db1');
INSERT INTO "seal" VALUES(34,'command_answered','b8a758682aac5e603b918bb3371c5f4c16cb554653a733469675c5b3dcf4ffcd');
INSERT INTO "seal" VALUES(35,'unscheduled','b41275b93d6fce0c66a686514eed84d9ed3d0d127fa590375298c5b99de47bdc');
INSERT INTO "seal" VALUES(36,'run_ended','de3ebf0249f50c6a5458f0023e2aa74e65896cb43f493c6bdf720396a34312b8');
INSERT INTO "seal" VALUES(37,'event','7a32b5f2fc5f4f2fd541f75b0eb50e0c1eab25bf4e68bb71e54bd92c1c185db1');
INSERT INTO "seal" VALUES(38,'start_claimed','0c0ce9178c3ef0b1560fd0525e4c92513ef7c86c7d7b1515dcc015f21e4fa007');
INSERT INTO "seal" VALUES(39,'night_planned','9362808bd858d5c9353f74902faaadd1ba89f437c8f5e97c4b5b8ef89badc86d');
INSERT INTO "seal" VALUES(40,'decision','09307cacb24258b7fb62f22834952e6782eec8beb5608d1a8a6df74997e103ce');
INSERT INTO "seal" VALUES(41,'decision','42fb2333db8129c8d5e01faea945dd2fe98acf7cccae1537b2d1d9d89e9ac091');
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
INSERT INTO "start_claimed" VALUES(38,1793649601000,1,'timetable start_claimed 2',2006,'night start_claimed 2',2004,2006,'programs start_claimed 2','command start_claimed 2','why start_claimed 2');
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
INSERT INTO "unscheduled" VALUES(35,1793649601000,1,'channel unscheduled 2',2009,'measured','why unscheduled 2');
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
COMMIT;
