-- An invented lab's store as lotdrift 0.7.0 wrote it first: schema version 5. Never changed; test_migrations.py reads it.
BEGIN TRANSACTION;
CREATE TABLE account (
	name TEXT NOT NULL, 
	role TEXT NOT NULL, 
	hash TEXT NOT NULL, 
	made_us BIGINT NOT NULL, 
	closed_us BIGINT, 
	PRIMARY KEY (name)
);
CREATE TABLE act (
	id INTEGER NOT NULL, 
	at_us BIGINT NOT NULL, 
	who TEXT NOT NULL, 
	what TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	body TEXT DEFAULT '{}' NOT NULL, 
	about TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "act" VALUES(1,1767607200000000,'R. Q.','put in','load:["N-2"]','put in','{"event": {"at": "2026-01-05T09:00:00+00:00", "chamber": "C1", "supplier": "Alder Film", "product": "MB-10", "lot": "L1", "specimens": "3 to 4"}}','');
INSERT INTO "act" VALUES(2,1767610800000000,'R. Q.','take back event','load:["N-2"]','wrong load','{"event": {"at": "2026-01-05T09:00:00+00:00", "what": "in"}}','');
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
INSERT INTO "alert" VALUES('309058319b17','limit','act',1,'Alder Film','MB-10','shielding_energy','L1',1767605040000000,'Alder Film MB-10, shielding energy: lot at 21.8 nJ fails the limit (under 20.0 nJ)','{"what": "limit", "form": "limit", "direction": 1, "unit": "nJ", "digits": 3, "lots": 1, "latest_lot": "L1", "latest_tested_us": 1767605040000000, "since_us": null, "since_low_us": null, "since_high_us": null, "moved_on_us": null, "usual": 15.2982404929062, "level": 21.792061295955, "latest_level": 21.792061295955, "level_bound": 0, "latest_bound": 0, "judged": 21.792061295955, "limit_lower": null, "limit_upper": 20.0, "change_percent_per_month": null, "breach_probability": null, "away_from_limit": false, "closed_because": null, "may_be_a_slip": null}','open',NULL);
CREATE TABLE bag_count (
	session_id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	limit_lower FLOAT, 
	limit_upper FLOAT, 
	bags INTEGER NOT NULL, 
	outside INTEGER NOT NULL, 
	undecided INTEGER NOT NULL, 
	worst FLOAT, 
	worst_bound SMALLINT NOT NULL, 
	PRIMARY KEY (session_id)
);
INSERT INTO "bag_count" VALUES(1,1,NULL,20.0,2,0,0,10.988630487918,0);
INSERT INTO "bag_count" VALUES(2,1,NULL,20.0,2,2,0,21.8471966164998,0);
CREATE TABLE bench_part (
	characteristic TEXT NOT NULL, 
	document TEXT NOT NULL, 
	PRIMARY KEY (characteristic)
);
CREATE TABLE bench_share (
	session_id INTEGER NOT NULL, 
	alert TEXT NOT NULL, 
	stream_id INTEGER NOT NULL, 
	size FLOAT NOT NULL, 
	size_unit TEXT NOT NULL, 
	level_without FLOAT, 
	PRIMARY KEY (session_id, alert)
)
 WITHOUT ROWID

;
CREATE TABLE calibration (
	instrument_id INTEGER NOT NULL, 
	done_us BIGINT NOT NULL, 
	due_on TEXT NOT NULL, 
	as_found TEXT NOT NULL, 
	as_left TEXT NOT NULL, 
	uncertainty TEXT NOT NULL, 
	certificate TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	PRIMARY KEY (instrument_id, done_us)
)
 WITHOUT ROWID

;
CREATE TABLE capture (
	captured_lot_id INTEGER NOT NULL, 
	day BIGINT NOT NULL, 
	specimen BIGINT NOT NULL, 
	reading BIGINT NOT NULL, 
	number INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	quantity TEXT NOT NULL, 
	samples INTEGER NOT NULL, 
	energy FLOAT, 
	bound SMALLINT NOT NULL, 
	sd FLOAT, 
	peak FLOAT, 
	charge FLOAT, 
	centroid FLOAT, 
	rise FLOAT, 
	decay FLOAT, 
	marks TEXT NOT NULL, 
	trace TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	settings TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	PRIMARY KEY (captured_lot_id, day, specimen, reading)
)
 WITHOUT ROWID

;
CREATE TABLE capture_match (
	captured_lot_id INTEGER NOT NULL, 
	day BIGINT NOT NULL, 
	specimen BIGINT NOT NULL, 
	reading BIGINT NOT NULL, 
	fitting_readings INTEGER NOT NULL, 
	stream_id INTEGER, 
	lot_id INTEGER, 
	tested_us BIGINT, 
	instrument_id INTEGER, 
	tested_day BIGINT, 
	log_ratio FLOAT, 
	noise FLOAT, 
	PRIMARY KEY (captured_lot_id, day, specimen, reading)
)
 WITHOUT ROWID

;
CREATE TABLE captured_lot (
	id INTEGER NOT NULL, 
	supplier TEXT NOT NULL, 
	lot TEXT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (supplier, lot)
);
CREATE TABLE case_alert (
	alert TEXT NOT NULL, 
	case_id TEXT NOT NULL, 
	stream_id INTEGER, 
	PRIMARY KEY (alert)
)
 WITHOUT ROWID

;
INSERT INTO "case_alert" VALUES('309058319b17','309058319b17',1);
CREATE TABLE chamber_state (
	chamber_id INTEGER NOT NULL, 
	state TEXT NOT NULL, 
	hours FLOAT NOT NULL, 
	last_us BIGINT NOT NULL, 
	began_us BIGINT, 
	back_us BIGINT, 
	valid_from_us BIGINT, 
	PRIMARY KEY (chamber_id)
)
 WITHOUT ROWID

;
INSERT INTO "chamber_state" VALUES(1,'valid',48.0,1767607200000000,NULL,1767423600000000,1767596400000000);
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
CREATE TABLE conformity (
	session_id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	document TEXT NOT NULL, 
	PRIMARY KEY (session_id)
)
 WITHOUT ROWID

;
INSERT INTO "conformity" VALUES(1,1,'{"p":0.988079866,"p_low":null,"p_high":0.988079866,"next_bag":0.996801851,"next_bag_low":null,"next_bag_high":0.996801851,"u":0.0233104817,"u_high":null,"df":1.0,"bench_df":null,"rule_u":null,"rule_df":1.0,"bag_sd":0.0329659993,"bag_mean_sd":0.0329659993,"accept_lower":null,"accept_upper":20.0,"reject_lower":null,"reject_upper":20.0,"parts":{"bags":0.0,"readings":0.0233104817,"bench":null,"instrument":0.0},"bench":"not known","rule":{"rule":"simple","wrong_pass":null,"wrong_fail":null,"from":null},"bag_df":1.0,"own_variance":false}');
INSERT INTO "conformity" VALUES(2,1,'{"p":0.0176800145,"p_low":null,"p_high":0.0176800145,"next_bag":0.0230958278,"next_bag_low":null,"next_bag_high":0.0230958278,"u":0.0165795601,"u_high":null,"df":2.0,"bench_df":null,"rule_u":null,"rule_df":2.0,"bag_sd":0.0234470387,"bag_mean_sd":0.0234470387,"accept_lower":null,"accept_upper":20.0,"reject_lower":null,"reject_upper":20.0,"parts":{"bags":0.0,"readings":0.0165795601,"bench":null,"instrument":0.0},"bench":"not known","rule":{"rule":"simple","wrong_pass":null,"wrong_fail":null,"from":null},"bag_df":2.0,"own_variance":false}');
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
CREATE TABLE drawn_quarter (
	quarter TEXT NOT NULL, 
	drawn_us BIGINT NOT NULL, 
	digest TEXT NOT NULL, 
	lots TEXT NOT NULL, 
	PRIMARY KEY (quarter)
);
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
INSERT INTO "drop" VALUES(1,'climate','log.csv','drops/climate',X'D51FC0DE91213A079FCF8FC5503A13199316B9E4F9D551ED3CF900B8DF6F20A7',4066,1796071674908465581,1795608000000000,'stored','',103,0,0,0,'["logged_at", "chamber", "humidity_percent", "temperature_c"]','filed/log.csv',1);
INSERT INTO "drop" VALUES(2,'tests','t.csv','drops/tests',X'AEFE8A3AFCF7DCDDDF47F36E7267F03B04CFB9DBE2666D53E73C78E1E0492119',831,1796071674908645007,1795608000000000,'stored','',8,0,0,0,'["tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "specimen", "reading", "characteristic", "value", "unit", "load"]','filed/t.csv',1);
INSERT INTO "drop" VALUES(3,'loads','l.csv','drops/loads',X'BB477935E283B3C36E87A8248A27608AC187A5A6F28A1A15E1B604CBCF225ED5',194,1796071674908722001,1795608000000000,'stored','',2,0,0,0,'["at", "load", "chamber", "event", "supplier", "product", "lot", "specimens", "laid"]','filed/l.csv',1);
INSERT INTO "drop" VALUES(4,'calibrations','c.csv','drops/calibrations',X'D7A371777FBB4558173081EC9F95FB83B416BD0F4F33BD958355BA9C5831CC91',108,1796071674908773427,1795608000000000,'stored','',0,0,0,1,'["instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty", "certificate"]','filed/c.csv',1);
INSERT INTO "drop" VALUES(5,'loads','form of R. Q.','',X'8F09E39CF0972E392058FDCBDE192BBA27F324425AEC8BD707FA9657627EA21C',124,1767607200000000000,1767607200000000,'stored','',1,0,0,0,'[]','',1);
INSERT INTO "drop" VALUES(6,'loads','form of R. Q.','',X'FD9724B5C4595CE06A353620C2731C5128A8644E2A7B26CB3758758B6C0E413C',38,1767610800000000000,1767610800000000,'stored','',0,0,0,0,'[]','',1);
CREATE TABLE earlier_calibration (
	id INTEGER NOT NULL, 
	instrument_id INTEGER NOT NULL, 
	done_us BIGINT NOT NULL, 
	due_on TEXT NOT NULL, 
	as_found TEXT NOT NULL, 
	as_left TEXT NOT NULL, 
	uncertainty TEXT NOT NULL, 
	certificate TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE earlier_capture (
	id INTEGER NOT NULL, 
	captured_lot_id INTEGER NOT NULL, 
	day BIGINT NOT NULL, 
	specimen BIGINT NOT NULL, 
	reading BIGINT NOT NULL, 
	energy FLOAT, 
	bound SMALLINT NOT NULL, 
	digest TEXT NOT NULL, 
	settings TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE earlier_climate (
	id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	logged_us BIGINT NOT NULL, 
	humidity_percent FLOAT NOT NULL, 
	temperature_c FLOAT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE earlier_count (
	id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	counted_day BIGINT NOT NULL, 
	storage_id INTEGER NOT NULL, 
	quantity FLOAT NOT NULL, 
	is_counted SMALLINT NOT NULL, 
	unit TEXT NOT NULL, 
	opened_on TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE earlier_event (
	id INTEGER NOT NULL, 
	load_id INTEGER NOT NULL, 
	at_us BIGINT NOT NULL, 
	event BIGINT NOT NULL, 
	lot_id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	laid SMALLINT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	replaced_by_drop_id INTEGER NOT NULL, 
	replaced_us BIGINT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "earlier_event" VALUES(1,5,1767603600000000,0,2,1,0,5,2,6,1767610800000000);
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
CREATE TABLE evaluation (
	stream_id INTEGER NOT NULL, 
	board TEXT NOT NULL, 
	sketch TEXT NOT NULL, 
	document TEXT NOT NULL, 
	PRIMARY KEY (stream_id), 
	FOREIGN KEY(stream_id) REFERENCES stream (id)
);
INSERT INTO "evaluation" VALUES(1,'{"unit":"nJ","digits":3,"lots":2,"last_lot":"L1","last_tested_us":1767605040000000,"level":21.792061295955,"limit_lower":null,"limit_upper":20.0,"change_percent_per_month":null,"breach_probability":null,"weeks_to_limit":null,"ppk":null,"ppk_lower":null,"learning":true,"check_standard":false,"silent_after_us":4838400000000}','{"lots":[[-0.0,2.3736],[0.0,3.0815]],"fan":[],"usual":2.727737821321682,"lower":null,"upper":2.995732273553991}','{"unit":"nJ","digits":3,"scale":"log","limits":{"center":15.2982404929062,"lower":null,"upper":null,"settled":false,"seen_lower":10.7354426480703,"seen_upper":21.792061295955,"from_lots":2,"lots":["L0","L1"],"frozen_us":null,"from_us":1767603600000000,"widened_for_dependence":null,"left_out":[],"set_by":null},"limits_history":[{"center":15.2982404929062,"lower":null,"upper":null,"settled":false,"seen_lower":10.7354426480703,"seen_upper":21.792061295955,"from_lots":2,"lots":["L0","L1"],"frozen_us":null,"from_us":1767603600000000,"widened_for_dependence":null,"left_out":[],"set_by":null}],"specification_limits":{"lower":[],"upper":[{"value":50.0,"from":null,"document":"older edition","where":"lab.toml","who":null,"entered_us":null,"reason":null},{"value":20.0,"from":"2018-10-01","document":null,"where":"lab.toml","who":null,"entered_us":null,"reason":null}]},"baseline_moving":null,"components":{"lot":0.2500546707562373,"bag":0.0,"reading":0.0022953783588493745,"set_to_zero":["bag"],"intervals":{"lot":[0.05395529067314023,255.20415897836867],"bag":[0.0,0.019973929483257703],"reading":[0.001038581872732338,0.023890942006615606]}},"forecast":null,"wander":null,"capability":{"ppk":null,"ppk_lower":null,"ppk_upper":null,"pp":null,"ppm":null,"why":"too few lots"},"dependence":null,"detector":{"autocorrelation":0.20541808220742064,"low":0.0,"high":0.6,"undecided":true,"scatter_from_others":0.0},"normality":null,"pattern_price":{"patterns":["beyond_three_sigma","two_of_three_beyond_two_sigma","nine_on_one_side","six_rising_or_falling"],"lots_a_false_mark":117.77184527270204,"weeks_a_false_mark":0.28040915540711486},"settings":[],"acts":[]}');
CREATE TABLE film_age (
	stream_id INTEGER NOT NULL, 
	document TEXT NOT NULL, 
	law TEXT NOT NULL, 
	PRIMARY KEY (stream_id)
);
INSERT INTO "film_age" VALUES(1,'{"supplier":"Alder Film","product":"MB-10","characteristic":"shielding_energy","unit":"nJ","scale":"log","word":"too_few","why":"0 of 5 lots have two valid tests; a date needs 5","side":"upper","limit":20.0,"lots":0,"tests":2,"lots_needed":5,"change_percent_per_month":null,"change_low":null,"change_high":null,"change_unit":"%","coverage":0.9,"confidence":0.95,"life_months":null,"life_expected_months":null,"life_lots":0,"life_since":null,"life_word":"too_few","mean_line":null,"furthest_months":null,"oldest_months":null,"keep_months":null,"is_bent":false,"bounded_tests":0,"humidity_removed":false,"tests_under_finding":0,"retested_read_higher":false,"bound_line":[],"missing":["Test 5 more lots a second time, six months or more after the first test."],"points":[{"lot":"L0","age_months":null,"level":10.7354426480703,"bound":0,"is_used":true,"why_not":null,"is_under_finding":false,"is_open":false,"tested_us":1767603600000000},{"lot":"L1","age_months":null,"level":21.792061295955,"bound":0,"is_used":true,"why_not":null,"is_under_finding":false,"is_open":false,"tested_us":1767605040000000}]}','{"closed":{"word":"too_few","lots":0,"side":"upper","limit":2.995732273553991,"months":0.0,"weight":[],"slope":[],"slope_variance":[],"session_variance":[]},"opened":{"word":"too_few","lots":0,"side":"upper","limit":2.995732273553991,"months":0.0,"weight":[],"slope":[],"slope_variance":[],"session_variance":[]}}');
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
INSERT INTO "label" VALUES(4,'load','N-1');
INSERT INTO "label" VALUES(5,'load','N-2');
CREATE TABLE load_event (
	load_id INTEGER NOT NULL, 
	at_us BIGINT NOT NULL, 
	event BIGINT NOT NULL, 
	lot_id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	laid SMALLINT NOT NULL, 
	specimens TEXT DEFAULT '' NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	PRIMARY KEY (load_id, at_us, event, lot_id)
)
 WITHOUT ROWID

;
INSERT INTO "load_event" VALUES(4,1767427200000000,0,1,1,1,'1 to 2',3,2);
INSERT INTO "load_event" VALUES(4,1767427200000000,0,2,1,1,'1 to 2',3,3);
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
CREATE TABLE lot_source (
	kind TEXT NOT NULL, 
	source_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	PRIMARY KEY (kind, source_id, lot_id)
)
 WITHOUT ROWID

;
INSERT INTO "lot_source" VALUES('file',2,1);
INSERT INTO "lot_source" VALUES('file',2,2);
INSERT INTO "lot_source" VALUES('operator',3,1);
INSERT INTO "lot_source" VALUES('operator',3,2);
CREATE TABLE mark (
	session_id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	share TEXT NOT NULL, 
	slip TEXT NOT NULL, 
	power INTEGER NOT NULL, 
	low FLOAT NOT NULL, 
	high FLOAT NOT NULL, 
	settled TEXT NOT NULL, 
	PRIMARY KEY (session_id)
)
 WITHOUT ROWID

;
CREATE TABLE meta (
	"key" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "meta" VALUES('schema_version','5');
INSERT INTO "meta" VALUES('units','{"shielding_energy": "nJ", "surface_resistance": "ohm"}');
INSERT INTO "meta" VALUES('declared','e7cb712859c95f777d1d59f134c51f990c15a7fa7df71c14cb174e9cb0fa6224');
INSERT INTO "meta" VALUES('search_names_to_lot','2');
INSERT INTO "meta" VALUES('search_names_to_product','1');
INSERT INTO "meta" VALUES('search_names_to_supplier','1');
INSERT INTO "meta" VALUES('search_names_to_file','4');
INSERT INTO "meta" VALUES('bench_findings','[]');
INSERT INTO "meta" VALUES('chamber_logs','{}');
INSERT INTO "meta" VALUES('bench_weeks_off','[]');
INSERT INTO "meta" VALUES('held_by','[[], []]');
INSERT INTO "meta" VALUES('attributed_alerts','{}');
INSERT INTO "meta" VALUES('alerts_raised_again','{}');
INSERT INTO "meta" VALUES('recovery_1','{"log": [1767607200000000, 103, 1], "slow": null}');
INSERT INTO "meta" VALUES('humidity:["MB-10", "shielding_energy"]','{"told":null,"sums":{"1":[2,1,0.0,0.0,0.25062851534594954,288.0]}}');
INSERT INTO "meta" VALUES('shelf_state','cfd44e3894945a9fa262bac6a5e5ee2872471b905536bba5b73648bd8bfbbc60');
CREATE TABLE neighbour (
	stream_id INTEGER NOT NULL, 
	block INTEGER NOT NULL, 
	pairs_1 FLOAT NOT NULL, 
	pairs_2 FLOAT NOT NULL, 
	pairs_3 FLOAT NOT NULL, 
	apart_1 FLOAT NOT NULL, 
	apart_2 FLOAT NOT NULL, 
	apart_3 FLOAT NOT NULL, 
	PRIMARY KEY (stream_id, block)
)
 WITHOUT ROWID

;
INSERT INTO "neighbour" VALUES(1,224,1.0,0.0,0.0,7.07995078155137402831e-01,0.0,0.0);
CREATE TABLE own_score (
	stream_id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	tested_us BIGINT NOT NULL, 
	score FLOAT NOT NULL, 
	sigma FLOAT NOT NULL, 
	PRIMARY KEY (stream_id, session_id)
)
 WITHOUT ROWID

;
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
INSERT INTO "point" VALUES(1,1,0,1767603600000000,-7.34799962794342904903e-03,'{"lot":"L0","n":4,"bags":2,"level":10.7354426480703,"level_low":10.7354426480703,"level_high":10.7354426480703,"shown":10.7354426480703,"bound":0,"outside_control_limits":false,"bag_spread":0.03296599934447044,"bag_spread_upper":0.07515139152400047,"reading_spread":0.06587847676640043,"reading_spread_upper":0.13826843506945005,"center":15.2982404929062,"lower":null,"upper":null,"ewma":14.7658798792361,"limit_lower":null,"limit_upper":20.0,"chamber":"C1","humidity":12.0,"signals":[],"state":"valid","to_look_at":false,"verdict":"pass"}');
INSERT INTO "point" VALUES(1,2,1,1767605040000000,7.34275359075960663834e-03,'{"lot":"L1","n":4,"bags":2,"level":21.792061295955,"level_low":21.792061295955,"level_high":21.792061295955,"shown":21.792061295955,"bound":0,"outside_control_limits":false,"bag_spread":0.003573532791289644,"bag_spread_upper":0.07515139152400047,"reading_spread":0.03803464376192993,"reading_spread_upper":0.13826843506945005,"center":15.2982404929062,"lower":null,"upper":null,"ewma":15.3519387556381,"limit_lower":null,"limit_upper":20.0,"chamber":"C1","humidity":12.0,"signals":["limit"],"state":"valid","to_look_at":false,"verdict":"fail"}');
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
INSERT INTO "reading" VALUES(1,1,1767603600000000,1,1,10.0,0,'10.0 nJ',1,2,3,4,2,2,'');
INSERT INTO "reading" VALUES(1,1,1767603660000000,1,2,11.0,0,'11.0 nJ',1,2,3,4,2,3,'');
INSERT INTO "reading" VALUES(1,1,1767603720000000,2,1,10.5,0,'10.5 nJ',1,2,3,4,2,4,'');
INSERT INTO "reading" VALUES(1,1,1767603780000000,2,2,11.5,0,'11.5 nJ',1,2,3,4,2,5,'');
INSERT INTO "reading" VALUES(1,2,1767605040000000,1,1,21.0,0,'21.0 nJ',1,2,3,4,2,6,'');
INSERT INTO "reading" VALUES(1,2,1767605100000000,1,2,22.5,0,'22.5 nJ',1,2,3,4,2,7,'');
INSERT INTO "reading" VALUES(1,2,1767605160000000,2,1,21.5,0,'21.5 nJ',1,2,3,4,2,8,'');
INSERT INTO "reading" VALUES(1,2,1767605220000000,2,2,22.2,0,'22.2 nJ',1,2,3,4,2,9,'');
CREATE TABLE refusal (
	id INTEGER NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	cells TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(drop_id) REFERENCES "drop" (id)
);
INSERT INTO "refusal" VALUES(1,4,2,'done_at: "2025-12-01" is a date without a time; write both, such as 2026-03-02T14:30','["E1", "2025-12-01", "2026-12-01", "0.4", "0.1", "1.0", "K-1"]');
CREATE TABLE retest (
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	session_id INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	since_us BIGINT NOT NULL, 
	last_us BIGINT NOT NULL, 
	sessions INTEGER NOT NULL, 
	PRIMARY KEY (stream_id, lot_id)
)
 WITHOUT ROWID

;
INSERT INTO "retest" VALUES(1,2,2,'fail',1767605040000000,1767605040000000,1);
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
INSERT INTO "round" VALUES(1,1795608000000000,1796071675734059,4,113,1,1,1);
INSERT INTO "round" VALUES(2,1795608000000000,1796071676041780,0,0,0,1,0);
CREATE TABLE search_name (
	kind TEXT NOT NULL, 
	supplier TEXT NOT NULL, 
	product TEXT NOT NULL, 
	name TEXT NOT NULL, 
	source_id INTEGER NOT NULL, 
	folded TEXT NOT NULL, 
	words TEXT NOT NULL, 
	PRIMARY KEY (kind, supplier, product, name, source_id)
)
 WITHOUT ROWID

;
INSERT INTO "search_name" VALUES('file','','','c.csv',4,'c.csv','c.csv ');
INSERT INTO "search_name" VALUES('file','','','l.csv',3,'l.csv','l.csv ');
INSERT INTO "search_name" VALUES('file','','','log.csv',1,'log.csv','log.csv ');
INSERT INTO "search_name" VALUES('file','','','t.csv',2,'t.csv','t.csv ');
INSERT INTO "search_name" VALUES('lot','Alder Film','MB-10','L0',0,'l0','l0 alder film mb-10');
INSERT INTO "search_name" VALUES('lot','Alder Film','MB-10','L1',0,'l1','l1 alder film mb-10');
INSERT INTO "search_name" VALUES('product','Alder Film','MB-10','MB-10',0,'mb-10','mb-10 alder film');
INSERT INTO "search_name" VALUES('supplier','Alder Film','','Alder Film',0,'alder film','alder film ');
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
	smallest_high FLOAT, 
	largest_low FLOAT, 
	clock TEXT DEFAULT 'chamber' NOT NULL, 
	loaded_us BIGINT, 
	doors INTEGER DEFAULT '0' NOT NULL, 
	bench TEXT DEFAULT 'unchecked' NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (stream_id, lot_id, started_us), 
	FOREIGN KEY(stream_id) REFERENCES stream (id), 
	FOREIGN KEY(lot_id) REFERENCES lot (id)
);
INSERT INTO "session" VALUES(1,1,1,1767603600000000,1767603780000000,1,2,4,2,4,0,0,2,2.37355066458127472728e+00,2.37355066458127472728e+00,2.37355066458127472728e+00,1.08675711277962574324e-03,4.33997370106116095445e-03,2.0,2.37355066458127472728e+00,2.17351422555925148649e-03,8.6799474021223219089e-03,8.0,10.0,11.5,0,0,'valid',49.0,12.0,12.0,12.0,NULL,10.7354426480703,11.5,10.7354426480703,'pass',10.0,11.5,'specimen',1767427200000000,0,'unchecked');
INSERT INTO "session" VALUES(2,1,2,1767605040000000,1767605220000000,1,2,4,2,4,0,0,2,3.08154574273641213011e+00,3.08154574273641213011e+00,3.08154574273641213011e+00,1.27701366104223555729e-05,1.44663412609691505519e-03,2.0,3.08154574273641213011e+00,2.55402732208447111458e-05,0.00289326825219383,8.0,21.0,22.5,0,0,'valid',49.4,12.0,12.0,12.0,NULL,21.792061295955,22.5,21.792061295955,'fail',21.0,22.5,'specimen',1767427200000000,0,'unchecked');
CREATE TABLE session_chamber (
	session_id INTEGER NOT NULL, 
	chamber_id INTEGER NOT NULL, 
	started_us BIGINT NOT NULL, 
	ended_us BIGINT NOT NULL, 
	PRIMARY KEY (session_id, chamber_id)
)
 WITHOUT ROWID

;
CREATE TABLE shelf_lot (
	lot_id INTEGER NOT NULL, 
	stream_id INTEGER NOT NULL, 
	leads SMALLINT NOT NULL, 
	is_open SMALLINT NOT NULL, 
	word TEXT NOT NULL, 
	keep_day INTEGER, 
	expected_day INTEGER, 
	first_day INTEGER, 
	last_day INTEGER, 
	tested_day INTEGER, 
	level FLOAT, 
	quantity FLOAT, 
	unit TEXT NOT NULL, 
	document TEXT NOT NULL, 
	PRIMARY KEY (lot_id, stream_id)
)
 WITHOUT ROWID

;
INSERT INTO "shelf_lot" VALUES(1,1,1,0,'too_few',NULL,NULL,NULL,NULL,20458,2.37355066458127472728e+00,NULL,'','{"characteristic":"shielding_energy","characteristic_unit":"nJ","word":"too_few","why":"0 of 5 lots have two valid tests; a date needs 5","keep_until":null,"expected_on":null,"tested_on":"2026-01-05","level":10.7354426480703,"bound":0,"limit":20.0,"side":"upper","film_lots":0,"counted_on":null,"storage":[],"opened_on":null,"made_on":null,"received_on":null,"keep_months":null,"claimed_until":null,"marks":[]}');
INSERT INTO "shelf_lot" VALUES(2,1,1,0,'passed',20458,20458,20458,NULL,20458,3.08154574273641213011e+00,NULL,'','{"characteristic":"shielding_energy","characteristic_unit":"nJ","word":"passed","why":"Its last test is over the limit","keep_until":"2026-01-05","expected_on":"2026-01-05","tested_on":"2026-01-05","level":21.792061295955,"bound":0,"limit":20.0,"side":"upper","film_lots":0,"counted_on":null,"storage":[],"opened_on":null,"made_on":null,"received_on":null,"keep_months":null,"claimed_until":null,"marks":[]}');
CREATE TABLE sister (
	characteristic TEXT NOT NULL, 
	said TEXT NOT NULL, 
	PRIMARY KEY (characteristic)
);
CREATE TABLE stale_capture (
	captured_lot_id INTEGER NOT NULL, 
	PRIMARY KEY (captured_lot_id)
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
CREATE TABLE stale_instrument (
	instrument_id INTEGER NOT NULL, 
	PRIMARY KEY (instrument_id)
)
 WITHOUT ROWID

;
CREATE TABLE stale_load (
	load_id INTEGER NOT NULL, 
	PRIMARY KEY (load_id)
)
 WITHOUT ROWID

;
CREATE TABLE stale_lot (
	stream_id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	PRIMARY KEY (stream_id, lot_id)
)
 WITHOUT ROWID

;
CREATE TABLE stale_stock (
	lot_id INTEGER NOT NULL, 
	PRIMARY KEY (lot_id)
)
 WITHOUT ROWID

;
CREATE TABLE stock_count (
	lot_id INTEGER NOT NULL, 
	counted_day BIGINT NOT NULL, 
	storage_id INTEGER NOT NULL, 
	quantity FLOAT NOT NULL, 
	is_counted SMALLINT NOT NULL, 
	unit TEXT NOT NULL, 
	opened_on TEXT NOT NULL, 
	drop_id INTEGER NOT NULL, 
	line INTEGER NOT NULL, 
	PRIMARY KEY (lot_id, counted_day, storage_id)
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
CREATE TABLE watched (
	stream_id INTEGER NOT NULL, 
	said TEXT NOT NULL, 
	PRIMARY KEY (stream_id)
);
INSERT INTO "watched" VALUES(1,'{"watches":[{"lots":2,"digest":"ba69bf9aef2fd646527cb2a8586faff72ec62487849a1885653928a10dc9c054","seen":[]}],"figures":{"components 7ad300454ad18248484116ff9be40cc5":{"lot":0.2500546707562373,"bag":0.0,"reading":0.0022953783588493745,"lot_se":0.3544427100486664,"bag_se":0.001405626436452007,"reading_se":0.0016230776029312413,"lot_low":0.05395529067314023,"lot_high":255.20415897836867,"bag_low":0.0,"bag_high":0.019973929483257703,"reading_low":0.001038581872732338,"reading_high":0.023890942006615606,"mean":2.727548203658843,"mean_se":0.3539975390775687,"lot_df":1,"bag_df":2,"reading_df":4,"total":0.2523500491150866,"total_df":1.0137769420847018,"total_low":0.0516066709403222,"total_high":255.2062803481329,"negative":["bag"],"unresolved":[],"left_out":0},"chance 8510d9bc46832d5572c1fc59595c1a5e":null,"capability 08d555585c6e91ba4330eb8c4d251b84":"too_few_lots"}}');
CREATE INDEX drop_by_digest ON "drop" (digest);
CREATE INDEX drop_unsettled ON "drop" (settled);
CREATE INDEX drop_by_name ON "drop" (name);
CREATE INDEX earlier_value_by_lot ON earlier_value (stream_id, lot_id);
CREATE INDEX earlier_climate_by_time ON earlier_climate (chamber_id, logged_us);
CREATE INDEX load_event_by_time ON load_event (at_us);
CREATE INDEX load_event_by_lot ON load_event (lot_id);
CREATE INDEX capture_by_drop ON capture (drop_id);
CREATE INDEX capture_match_by_day ON capture_match (instrument_id, tested_day);
CREATE INDEX capture_match_by_count ON capture_match (fitting_readings);
CREATE INDEX capture_match_by_lot ON capture_match (lot_id, stream_id);
CREATE INDEX stock_count_by_day ON stock_count (counted_day);
CREATE INDEX earlier_count_by_lot ON earlier_count (lot_id);
CREATE INDEX shelf_lot_by_chance ON shelf_lot (leads, first_day, last_day);
CREATE INDEX shelf_lot_by_stream ON shelf_lot (stream_id);
CREATE INDEX shelf_lot_by_word ON shelf_lot (leads, word);
CREATE INDEX shelf_lot_by_date ON shelf_lot (leads, keep_day, lot_id, word);
CREATE INDEX session_chamber_by_chamber ON session_chamber (chamber_id, started_us);
CREATE INDEX own_score_by_time ON own_score (tested_us);
CREATE INDEX mark_by_stream ON mark (stream_id);
CREATE INDEX conformity_by_stream ON conformity (stream_id);
CREATE INDEX alert_by_state ON alert (state);
CREATE INDEX alert_by_stream ON alert (stream_id);
CREATE INDEX bag_count_by_stream ON bag_count (stream_id);
CREATE INDEX bench_share_by_stream ON bench_share (stream_id);
CREATE INDEX case_alert_by_stream ON case_alert (stream_id);
CREATE INDEX case_alert_by_case ON case_alert (case_id);
CREATE INDEX search_name_by_folded ON search_name (folded);
CREATE INDEX delivery_by_state ON delivery (state);
CREATE INDEX act_by_subject ON act (subject);
CREATE INDEX refusal_by_drop ON refusal (drop_id);
CREATE INDEX session_by_lot ON session (lot_id);
CREATE INDEX session_by_chamber ON session (chamber_id, started_us);
CREATE INDEX session_by_instrument ON session (instrument_id, started_us);
CREATE INDEX session_by_time ON session (started_us);
CREATE INDEX session_by_load ON session (load_id);
CREATE INDEX point_by_time ON point (tested_us);
COMMIT;
