-- An invented lab's store as lotdrift 0.1.0 wrote it: schema version 1. Never changed; tests/test_upgrades.py reads it.
BEGIN TRANSACTION;
CREATE TABLE act (
	id INTEGER NOT NULL, 
	at_us BIGINT NOT NULL, 
	who TEXT NOT NULL, 
	what TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	body TEXT DEFAULT '{}' NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "act" VALUES(1,1795608000000000,'ab','acknowledge','alert:7bfadb5a23c6','asked the supplier','{}');
CREATE TABLE alert (
	id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	grade TEXT NOT NULL, 
	stream_id INTEGER, 
	supplier TEXT, 
	product TEXT, 
	characteristic TEXT, 
	lot TEXT, 
	raised_us BIGINT NOT NULL, 
	message TEXT NOT NULL, 
	evidence TEXT NOT NULL, 
	state TEXT NOT NULL, 
	held_under TEXT, 
	PRIMARY KEY (id)
);
INSERT INTO "alert" VALUES('7bfadb5a23c6','limit','act',1,'Alder Film','MB-10','shielding_energy','L1',1767607200000000,'Alder Film MB-10, shielding energy: a lot at 31.5 nJ, not under the limit of 20 nJ','{"what": "limit", "form": "limit", "direction": 1, "unit": "nJ", "lots": 1, "latest_lot": "L1", "latest_tested_us": 1767607200000000, "since_us": null, "since_low_us": null, "since_high_us": null, "usual": 18.7803479422011, "level": 31.4801444637569, "latest_level": 31.4801444637569, "judged": 31.4801444637569, "limit_lower": null, "limit_upper": 20.0, "change_percent_per_month": null, "breach_probability": null, "closed_because": null}','open',NULL);
CREATE TABLE climate (
	chamber_id INTEGER NOT NULL, 
	logged_us BIGINT NOT NULL, 
	humidity_percent FLOAT NOT NULL, 
	temperature_c FLOAT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	PRIMARY KEY (chamber_id, logged_us), 
	FOREIGN KEY(chamber_id) REFERENCES label (id)
)
 WITHOUT ROWID

;
INSERT INTO "climate" VALUES(1,1767423600000000,12.0,23.0,1,2);
INSERT INTO "climate" VALUES(1,1767425400000000,12.0,23.0,1,3);
INSERT INTO "climate" VALUES(1,1767427200000000,12.0,23.0,1,4);
INSERT INTO "climate" VALUES(1,1767429000000000,12.0,23.0,1,5);
INSERT INTO "climate" VALUES(1,1767430800000000,12.0,23.0,1,6);
INSERT INTO "climate" VALUES(1,1767432600000000,12.0,23.0,1,7);
INSERT INTO "climate" VALUES(1,1767434400000000,12.0,23.0,1,8);
INSERT INTO "climate" VALUES(1,1767436200000000,12.0,23.0,1,9);
INSERT INTO "climate" VALUES(1,1767438000000000,12.0,23.0,1,10);
INSERT INTO "climate" VALUES(1,1767439800000000,12.0,23.0,1,11);
INSERT INTO "climate" VALUES(1,1767441600000000,12.0,23.0,1,12);
INSERT INTO "climate" VALUES(1,1767443400000000,12.0,23.0,1,13);
INSERT INTO "climate" VALUES(1,1767445200000000,12.0,23.0,1,14);
INSERT INTO "climate" VALUES(1,1767447000000000,12.0,23.0,1,15);
INSERT INTO "climate" VALUES(1,1767448800000000,12.0,23.0,1,16);
INSERT INTO "climate" VALUES(1,1767450600000000,12.0,23.0,1,17);
INSERT INTO "climate" VALUES(1,1767452400000000,12.0,23.0,1,18);
INSERT INTO "climate" VALUES(1,1767454200000000,12.0,23.0,1,19);
INSERT INTO "climate" VALUES(1,1767456000000000,12.0,23.0,1,20);
INSERT INTO "climate" VALUES(1,1767457800000000,12.0,23.0,1,21);
INSERT INTO "climate" VALUES(1,1767459600000000,12.0,23.0,1,22);
INSERT INTO "climate" VALUES(1,1767461400000000,12.0,23.0,1,23);
INSERT INTO "climate" VALUES(1,1767463200000000,12.0,23.0,1,24);
INSERT INTO "climate" VALUES(1,1767465000000000,12.0,23.0,1,25);
INSERT INTO "climate" VALUES(1,1767466800000000,12.0,23.0,1,26);
INSERT INTO "climate" VALUES(1,1767468600000000,12.0,23.0,1,27);
INSERT INTO "climate" VALUES(1,1767470400000000,12.0,23.0,1,28);
INSERT INTO "climate" VALUES(1,1767472200000000,12.0,23.0,1,29);
INSERT INTO "climate" VALUES(1,1767474000000000,12.0,23.0,1,30);
INSERT INTO "climate" VALUES(1,1767475800000000,12.0,23.0,1,31);
INSERT INTO "climate" VALUES(1,1767477600000000,12.0,23.0,1,32);
INSERT INTO "climate" VALUES(1,1767479400000000,12.0,23.0,1,33);
INSERT INTO "climate" VALUES(1,1767481200000000,12.0,23.0,1,34);
INSERT INTO "climate" VALUES(1,1767483000000000,12.0,23.0,1,35);
INSERT INTO "climate" VALUES(1,1767484800000000,12.0,23.0,1,36);
INSERT INTO "climate" VALUES(1,1767486600000000,12.0,23.0,1,37);
INSERT INTO "climate" VALUES(1,1767488400000000,12.0,23.0,1,38);
INSERT INTO "climate" VALUES(1,1767490200000000,12.0,23.0,1,39);
INSERT INTO "climate" VALUES(1,1767492000000000,12.0,23.0,1,40);
INSERT INTO "climate" VALUES(1,1767493800000000,12.0,23.0,1,41);
INSERT INTO "climate" VALUES(1,1767495600000000,12.0,23.0,1,42);
INSERT INTO "climate" VALUES(1,1767497400000000,12.0,23.0,1,43);
INSERT INTO "climate" VALUES(1,1767499200000000,12.0,23.0,1,44);
INSERT INTO "climate" VALUES(1,1767501000000000,12.0,23.0,1,45);
INSERT INTO "climate" VALUES(1,1767502800000000,12.0,23.0,1,46);
INSERT INTO "climate" VALUES(1,1767504600000000,12.0,23.0,1,47);
INSERT INTO "climate" VALUES(1,1767506400000000,12.0,23.0,1,48);
INSERT INTO "climate" VALUES(1,1767508200000000,12.0,23.0,1,49);
INSERT INTO "climate" VALUES(1,1767510000000000,12.0,23.0,1,50);
INSERT INTO "climate" VALUES(1,1767511800000000,12.0,23.0,1,51);
INSERT INTO "climate" VALUES(1,1767513600000000,12.0,23.0,1,52);
INSERT INTO "climate" VALUES(1,1767515400000000,12.0,23.0,1,53);
INSERT INTO "climate" VALUES(1,1767517200000000,12.0,23.0,1,54);
INSERT INTO "climate" VALUES(1,1767519000000000,12.0,23.0,1,55);
INSERT INTO "climate" VALUES(1,1767520800000000,12.0,23.0,1,56);
INSERT INTO "climate" VALUES(1,1767522600000000,12.0,23.0,1,57);
INSERT INTO "climate" VALUES(1,1767524400000000,12.0,23.0,1,58);
INSERT INTO "climate" VALUES(1,1767526200000000,12.0,23.0,1,59);
INSERT INTO "climate" VALUES(1,1767528000000000,12.0,23.0,1,60);
INSERT INTO "climate" VALUES(1,1767529800000000,12.0,23.0,1,61);
INSERT INTO "climate" VALUES(1,1767531600000000,12.0,23.0,1,62);
INSERT INTO "climate" VALUES(1,1767533400000000,12.0,23.0,1,63);
INSERT INTO "climate" VALUES(1,1767535200000000,12.0,23.0,1,64);
INSERT INTO "climate" VALUES(1,1767537000000000,12.0,23.0,1,65);
INSERT INTO "climate" VALUES(1,1767538800000000,12.0,23.0,1,66);
INSERT INTO "climate" VALUES(1,1767540600000000,12.0,23.0,1,67);
INSERT INTO "climate" VALUES(1,1767542400000000,12.0,23.0,1,68);
INSERT INTO "climate" VALUES(1,1767544200000000,12.0,23.0,1,69);
INSERT INTO "climate" VALUES(1,1767546000000000,12.0,23.0,1,70);
INSERT INTO "climate" VALUES(1,1767547800000000,12.0,23.0,1,71);
INSERT INTO "climate" VALUES(1,1767549600000000,12.0,23.0,1,72);
INSERT INTO "climate" VALUES(1,1767551400000000,12.0,23.0,1,73);
INSERT INTO "climate" VALUES(1,1767553200000000,12.0,23.0,1,74);
INSERT INTO "climate" VALUES(1,1767555000000000,12.0,23.0,1,75);
INSERT INTO "climate" VALUES(1,1767556800000000,12.0,23.0,1,76);
INSERT INTO "climate" VALUES(1,1767558600000000,12.0,23.0,1,77);
INSERT INTO "climate" VALUES(1,1767560400000000,12.0,23.0,1,78);
INSERT INTO "climate" VALUES(1,1767562200000000,12.0,23.0,1,79);
INSERT INTO "climate" VALUES(1,1767564000000000,12.0,23.0,1,80);
INSERT INTO "climate" VALUES(1,1767565800000000,12.0,23.0,1,81);
INSERT INTO "climate" VALUES(1,1767567600000000,12.0,23.0,1,82);
INSERT INTO "climate" VALUES(1,1767569400000000,12.0,23.0,1,83);
INSERT INTO "climate" VALUES(1,1767571200000000,12.0,23.0,1,84);
INSERT INTO "climate" VALUES(1,1767573000000000,12.0,23.0,1,85);
INSERT INTO "climate" VALUES(1,1767574800000000,12.0,23.0,1,86);
INSERT INTO "climate" VALUES(1,1767576600000000,12.0,23.0,1,87);
INSERT INTO "climate" VALUES(1,1767578400000000,12.0,23.0,1,88);
INSERT INTO "climate" VALUES(1,1767580200000000,12.0,23.0,1,89);
INSERT INTO "climate" VALUES(1,1767582000000000,12.0,23.0,1,90);
INSERT INTO "climate" VALUES(1,1767583800000000,12.0,23.0,1,91);
INSERT INTO "climate" VALUES(1,1767585600000000,12.0,23.0,1,92);
INSERT INTO "climate" VALUES(1,1767587400000000,12.0,23.0,1,93);
INSERT INTO "climate" VALUES(1,1767589200000000,12.0,23.0,1,94);
INSERT INTO "climate" VALUES(1,1767591000000000,12.0,23.0,1,95);
INSERT INTO "climate" VALUES(1,1767592800000000,12.0,23.0,1,96);
INSERT INTO "climate" VALUES(1,1767594600000000,12.0,23.0,1,97);
INSERT INTO "climate" VALUES(1,1767596400000000,12.0,23.0,1,98);
INSERT INTO "climate" VALUES(1,1767598200000000,12.0,23.0,1,99);
INSERT INTO "climate" VALUES(1,1767600000000000,12.0,23.0,1,100);
INSERT INTO "climate" VALUES(1,1767601800000000,12.0,23.0,1,101);
INSERT INTO "climate" VALUES(1,1767603600000000,12.0,23.0,1,102);
INSERT INTO "climate" VALUES(1,1767605400000000,12.0,23.0,1,103);
INSERT INTO "climate" VALUES(1,1767607200000000,12.0,23.0,1,104);
INSERT INTO "climate" VALUES(1,1767609000000000,12.0,23.0,1,105);
INSERT INTO "climate" VALUES(1,1767610800000000,12.0,23.0,1,106);
CREATE TABLE delivery (
	about TEXT NOT NULL, 
	channel TEXT NOT NULL, 
	state TEXT NOT NULL, 
	message TEXT, 
	noted_us BIGINT NOT NULL, 
	tries INTEGER DEFAULT '0' NOT NULL, 
	next_us BIGINT DEFAULT '0' NOT NULL, 
	sent_us BIGINT, 
	reason TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (about, channel)
)
 WITHOUT ROWID

;
CREATE TABLE "drop" (
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	name TEXT NOT NULL, 
	folder TEXT NOT NULL, 
	digest BLOB NOT NULL, 
	size BIGINT NOT NULL, 
	modified_ns BIGINT NOT NULL, 
	taken_us BIGINT NOT NULL, 
	state TEXT NOT NULL, 
	reason TEXT DEFAULT '' NOT NULL, 
	stored INTEGER DEFAULT '0' NOT NULL, 
	duplicate INTEGER DEFAULT '0' NOT NULL, 
	corrected INTEGER DEFAULT '0' NOT NULL, 
	refused INTEGER DEFAULT '0' NOT NULL, 
	header TEXT DEFAULT '[]' NOT NULL, 
	put_as TEXT DEFAULT '' NOT NULL, 
	settled SMALLINT DEFAULT '0' NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "drop" VALUES(1,'climate','log.csv','drops/climate',X'76DD65C4B6D24FA9201E703ECF2007DC08CA2E416A39E264F0E1A559D077D746',4144,1795617119894853378,1795608000000000,'stored','',105,0,0,0,'["logged_at", "chamber", "humidity_percent", "temperature_c"]','filed/log.csv',1);
INSERT INTO "drop" VALUES(2,'tests','a.csv','drops/tests',X'4237FE698E2E7FEC3C70DD9FF9CEA6CABF2780C378312E51364D4909FE802EEC',466,1795617119895015789,1795608000000000,'stored','',4,0,0,0,'["tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "specimen", "reading", "characteristic", "value", "unit", "load"]','filed/a.csv',1);
INSERT INTO "drop" VALUES(3,'tests','b.csv','drops/tests',X'582F14F59B507215650E312A4BC86E285B1BEC803C43771E83007899DA60897B',635,1795617120946089435,1795608000000000,'stored','',4,0,1,1,'["tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "specimen", "reading", "characteristic", "value", "unit", "load"]','filed/b.csv',1);
CREATE TABLE earlier_value (
	id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	tested_us BIGINT NOT NULL, 
	specimen BIGINT NOT NULL, 
	reading BIGINT NOT NULL, 
	value FLOAT NOT NULL, 
	bound SMALLINT NOT NULL, 
	written TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "earlier_value" VALUES(1,1,1,1767603600000000,1,1,10.0,0,'10.0 nJ',2,2,3,1795608000000000);
CREATE TABLE evaluation (
	stream_id INTEGER NOT NULL, 
	board TEXT NOT NULL, 
	sketch TEXT NOT NULL, 
	document TEXT NOT NULL, 
	PRIMARY KEY (stream_id), 
	FOREIGN KEY(stream_id) REFERENCES stream (id)
);
INSERT INTO "evaluation" VALUES(1,'{"unit":"nJ","lots":2,"last_lot":"L1","last_tested_us":1767607200000000,"level":31.4801444637569,"limit_lower":null,"limit_upper":20.0,"change_percent_per_month":null,"breach_probability":null,"weeks_to_limit":null,"ppk":null,"ppk_lower":null,"learning":true,"check_standard":false,"silent_after_us":4838400000000}','{"lots":[[-0.01,1.5557],[0.0,3.4494]],"fan":[],"usual":2.932811000882245,"lower":null,"upper":2.995732273553991}','{"unit":"nJ","scale":"log","limits":{"center":18.7803479422011,"lower":8.29419412252718e-218,"upper":4.25238984788385e+219,"from_lots":2,"frozen_us":null,"from_us":1767603600000000,"widened_for_dependence":null,"left_out":[]},"limits_history":[{"center":18.7803479422011,"lower":8.29419412252718e-218,"upper":4.25238984788385e+219,"from_lots":2,"frozen_us":null,"from_us":1767603600000000,"widened_for_dependence":null,"left_out":[]}],"components":{"lot":0.017075655800596,"bag":3.495274295042673,"reading":0.11267185572245818,"set_to_zero":[]},"forecast":null,"capability":{"ppk":null,"ppk_lower":null,"ppk_upper":null,"pp":null,"ppm":null,"why":"too few lots"},"dependence":null,"normality":null,"acts":[]}');
CREATE TABLE label (
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	text TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (kind, text)
);
INSERT INTO "label" VALUES(1,'chamber','C1');
INSERT INTO "label" VALUES(2,'instrument','E1');
INSERT INTO "label" VALUES(3,'operator','');
INSERT INTO "label" VALUES(4,'load','');
CREATE TABLE lot (
	id INTEGER NOT NULL, 
	supplier TEXT NOT NULL, 
	product TEXT NOT NULL, 
	lot TEXT NOT NULL, 
	received_on TEXT DEFAULT '' NOT NULL, 
	made_on TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (supplier, product, lot)
);
INSERT INTO "lot" VALUES(1,'Alder Film','MB-10','L0','','');
INSERT INTO "lot" VALUES(2,'Alder Film','MB-10','L1','','');
CREATE TABLE meta (
	"key" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "meta" VALUES('schema_version','1');
INSERT INTO "meta" VALUES('units','{"shielding_energy": "nJ", "surface_resistance": "ohm"}');
INSERT INTO "meta" VALUES('declared','ca0601e683f0bad1cd49690fab73d5617dff290fc12aaaef9616e306d2677c23');
CREATE TABLE point (
	stream_id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	ordinal INTEGER NOT NULL, 
	tested_us BIGINT NOT NULL, 
	z FLOAT, 
	document TEXT NOT NULL, 
	PRIMARY KEY (stream_id, session_id), 
	FOREIGN KEY(stream_id) REFERENCES stream (id)
)
 WITHOUT ROWID

;
INSERT INTO "point" VALUES(1,1,0,1767603600000000,-7.13725859825989870921e-03,'{"lot":"L0","n":4,"bags":2,"level":4.73862163466895,"shown":4.73862163466895,"bound":0,"bag_spread":2.6648081452506482,"bag_spread_upper":6.040344028271151,"reading_spread":0.5805209155908522,"reading_spread_upper":1.0758624490418576,"center":18.7803479422011,"lower":7.85238227829768e-251,"upper":4.49164923879109e+252,"ewma":16.3643392395671,"limit_lower":null,"limit_upper":20.0,"chamber":"C1","humidity":12.0,"signals":[],"state":"valid","verdict":"pass"}');
INSERT INTO "point" VALUES(1,2,1,1767607200000000,3.75243073634515429681e-03,'{"lot":"L1","n":4,"bags":2,"level":31.4801444637569,"shown":31.4801444637569,"bound":0,"bag_spread":0.044922097163916395,"bag_spread_upper":6.040344028271151,"reading_spread":0.022483702196626373,"reading_spread_upper":0.862846901532084,"center":18.7803479422011,"lower":8.38478163448462e-179,"upper":4.20644787431967e+180,"ewma":17.4707801357783,"limit_lower":null,"limit_upper":20.0,"chamber":"C1","humidity":12.0,"signals":["limit"],"state":"valid","verdict":"fail"}');
CREATE TABLE reading (
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	tested_us BIGINT NOT NULL, 
	specimen BIGINT NOT NULL, 
	reading BIGINT NOT NULL, 
	value FLOAT NOT NULL, 
	bound SMALLINT NOT NULL, 
	written TEXT NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	instrument_id INTEGER NOT NULL, 
	operator_id INTEGER NOT NULL, 
	load_id INTEGER NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	notes TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (stream_id, lot_id, tested_us, specimen, reading), 
	FOREIGN KEY(stream_id) REFERENCES stream (id), 
	FOREIGN KEY(lot_id) REFERENCES lot (id), 
	FOREIGN KEY(drop_id) REFERENCES "drop" (id)
)
 WITHOUT ROWID

;
INSERT INTO "reading" VALUES(1,1,1767603600000000,1,1,25.0,0,'25.0 nJ',1,2,3,4,3,2,'');
INSERT INTO "reading" VALUES(1,1,1767603660000000,1,2,11.0,0,'11.0 nJ',1,2,3,4,2,3,'');
INSERT INTO "reading" VALUES(1,1,1767603720000000,2,1,9.5,0,'9.5 nJ',1,2,3,4,2,4,'');
INSERT INTO "reading" VALUES(1,1,1767603780000000,2,2,0.5,-1,'<0.5 nJ',1,2,3,4,2,5,'');
INSERT INTO "reading" VALUES(1,2,1767607200000000,1,1,31.0,0,'31.0 nJ',1,2,3,4,3,4,'');
INSERT INTO "reading" VALUES(1,2,1767607260000000,1,2,30.0,0,'30.0 nJ',1,2,3,4,3,5,'');
INSERT INTO "reading" VALUES(1,2,1767607320000000,2,1,33.0,0,'33.0 nJ',1,2,3,4,3,6,'');
INSERT INTO "reading" VALUES(1,2,1767607380000000,2,2,32.0,0,'32.0 nJ',1,2,3,4,3,7,'');
CREATE TABLE refusal (
	id INTEGER NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	cells TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(drop_id) REFERENCES "drop" (id)
);
INSERT INTO "refusal" VALUES(1,3,3,'value: "OL" is a word; write a number, or map it in [[source]], such as words = { "OL" = ">1E13" }','["2026-01-05T09:01:00+00:00", "C1", "E1", "", "Alder Film", "MB-10", "L0", "", "", "1", "2", "shielding_energy", "OL", "nJ", ""]');
CREATE TABLE round (
	id INTEGER NOT NULL, 
	started_us BIGINT NOT NULL, 
	ended_us BIGINT, 
	files INTEGER DEFAULT '0' NOT NULL, 
	stored INTEGER DEFAULT '0' NOT NULL, 
	refused INTEGER DEFAULT '0' NOT NULL, 
	evaluated INTEGER DEFAULT '0' NOT NULL, 
	raised INTEGER DEFAULT '0' NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "round" VALUES(1,1795608000000000,1795617120894877,2,109,0,1,0);
INSERT INTO "round" VALUES(2,1795608000000000,1795617121475212,1,4,1,1,1);
CREATE TABLE session (
	id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	started_us BIGINT NOT NULL, 
	ended_us BIGINT NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	instrument_id INTEGER NOT NULL, 
	load_id INTEGER NOT NULL, 
	bags INTEGER NOT NULL, 
	readings INTEGER NOT NULL, 
	below INTEGER NOT NULL, 
	above INTEGER NOT NULL, 
	reading_df INTEGER NOT NULL, 
	level FLOAT, 
	level_low FLOAT, 
	level_high FLOAT, 
	bag_variance FLOAT, 
	reading_variance FLOAT, 
	readings_per_bag FLOAT, 
	weighted_mean FLOAT, 
	sum_squares_bags FLOAT, 
	sum_squares_readings FLOAT, 
	sum_squared_sizes FLOAT, 
	smallest FLOAT, 
	largest FLOAT, 
	smallest_bound SMALLINT NOT NULL, 
	largest_bound SMALLINT NOT NULL, 
	conditioning TEXT NOT NULL, 
	hours FLOAT, 
	humidity_min FLOAT, 
	humidity_max FLOAT, 
	humidity_mean FLOAT, 
	excursion_us BIGINT, 
	level_unit FLOAT, 
	worst FLOAT, 
	judged FLOAT, 
	verdict TEXT, 
	PRIMARY KEY (id), 
	UNIQUE (stream_id, lot_id, started_us), 
	FOREIGN KEY(stream_id) REFERENCES stream (id), 
	FOREIGN KEY(lot_id) REFERENCES lot (id)
);
INSERT INTO "session" VALUES(1,1,1,1767603600000000,1767603780000000,1,2,4,2,4,1,0,1,1.55574629904446437578e+00,-9e999,1.79372892892828028621e+00,7.1012024509942,3.37004533438441333803e-01,2.0,1.55574629904446437578e+00,14.2024049019884,3.37004533438441333803e-01,8.0,0.5,25.0,-1,0,'valid',50.0,12.0,12.0,12.0,NULL,4.73862163466895,25.0,NULL,'pass');
INSERT INTO "session" VALUES(2,1,2,1767607200000000,1767607380000000,1,2,4,2,4,0,0,2,3.44935701260337701512e+00,3.44935701260337701512e+00,3.44935701260337701512e+00,2.01799481360434573851e-03,5.05516864466581559642e-04,2.0,3.44935701260337701512e+00,4.03598962720869147702e-03,1.01103372893316311928e-03,8.0,30.0,33.0,0,0,'valid',51.0,12.0,12.0,12.0,NULL,31.4801444637569,33.0,31.4801444637569,'fail');
CREATE TABLE session_chamber (
	session_id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	started_us BIGINT NOT NULL, 
	ended_us BIGINT NOT NULL, 
	PRIMARY KEY (session_id, chamber_id)
)
 WITHOUT ROWID

;
CREATE TABLE stale_climate (
	id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	from_us BIGINT NOT NULL, 
	to_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE stale_lot (
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	PRIMARY KEY (stream_id, lot_id)
)
 WITHOUT ROWID

;
CREATE TABLE stream (
	id INTEGER NOT NULL, 
	supplier TEXT NOT NULL, 
	product TEXT NOT NULL, 
	characteristic TEXT NOT NULL, 
	stale SMALLINT DEFAULT '1' NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (supplier, product, characteristic)
);
INSERT INTO "stream" VALUES(1,'Alder Film','MB-10','shielding_energy',0);
CREATE INDEX drop_unsettled ON "drop" (settled);
CREATE INDEX drop_by_digest ON "drop" (digest);
CREATE INDEX drop_by_name ON "drop" (name);
CREATE INDEX earlier_value_by_lot ON earlier_value (stream_id, lot_id);
CREATE INDEX session_chamber_by_chamber ON session_chamber (chamber_id, started_us);
CREATE INDEX alert_by_state ON alert (state);
CREATE INDEX alert_by_stream ON alert (stream_id);
CREATE INDEX delivery_by_state ON delivery (state);
CREATE INDEX act_by_subject ON act (subject);
CREATE INDEX refusal_by_drop ON refusal (drop_id);
CREATE INDEX session_by_chamber ON session (chamber_id, started_us);
CREATE INDEX session_by_time ON session (started_us);
CREATE INDEX point_by_time ON point (tested_us);
COMMIT;
