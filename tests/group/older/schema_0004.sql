-- A database of schema version 0004 with a little of everything (invented).
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0004');
CREATE TABLE changes (
	id INTEGER NOT NULL, 
	group_id INTEGER, 
	kind VARCHAR(32) NOT NULL, 
	"row" VARCHAR(300) NOT NULL, 
	changed TEXT NOT NULL, 
	who VARCHAR(200) NOT NULL, 
	at DATETIME, 
	CONSTRAINT pk_changes PRIMARY KEY (id)
);
CREATE TABLE documents (
	kind VARCHAR(64) NOT NULL, 
	"key" VARCHAR(300) NOT NULL, 
	payload TEXT NOT NULL, 
	stored_at DATETIME NOT NULL, revision INTEGER DEFAULT '1' NOT NULL, 
	CONSTRAINT pk_documents PRIMARY KEY (kind, "key")
);
CREATE TABLE events (
	id INTEGER NOT NULL, 
	group_id INTEGER NOT NULL, 
	book VARCHAR(32) NOT NULL, 
	kind VARCHAR(64) NOT NULL, 
	"on" DATE NOT NULL, 
	who VARCHAR(200) NOT NULL, 
	payload TEXT NOT NULL, 
	recorded_at DATETIME NOT NULL, 
	reverses INTEGER, 
	CONSTRAINT pk_events PRIMARY KEY (id), 
	CONSTRAINT fk_events_group_id FOREIGN KEY(group_id) REFERENCES groups (id), 
	CONSTRAINT fk_events_reverses FOREIGN KEY(reverses) REFERENCES events (id), 
	CONSTRAINT uq_events_reverses UNIQUE (reverses)
);
INSERT INTO "events" VALUES(1,1,'meter','fee','2024-02-01','Asha','{"amount": "12.50"}','2024-02-01 08:00:00.000000',NULL);
INSERT INTO "events" VALUES(2,1,'programme','target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.5", "source": "mistyped", "currency": "", "scope": "programme"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "events" VALUES(3,1,'programme','reversal','2026-11-02','Officer','{}','2026-11-02 09:00:00.000000',2);
INSERT INTO "events" VALUES(4,1,'programme','target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.9", "source": "work plan", "currency": "", "scope": "programme"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "events" VALUES(5,2,'programme','target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.7", "source": "agreed", "currency": "", "scope": "group"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "events" VALUES(6,1,'programme','currency','2026-11-01','Officer','{"currency": "EUR"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "events" VALUES(7,1,'programme','exchange_rate','2026-10-30','Officer','{"from": "KES", "to": "EUR", "rate": "0.0067", "source": "invented"}','2026-11-02 09:00:00.000000',NULL);
CREATE TABLE facts (
	group_id INTEGER NOT NULL, 
	"key" VARCHAR(120) NOT NULL, 
	value TEXT, 
	origin VARCHAR(16) NOT NULL, 
	source VARCHAR(300) NOT NULL, 
	set_by VARCHAR(200) NOT NULL, 
	set_at DATETIME, revision INTEGER DEFAULT '1' NOT NULL, 
	CONSTRAINT pk_facts PRIMARY KEY (group_id, "key"), 
	CONSTRAINT fk_facts_group_id FOREIGN KEY(group_id) REFERENCES groups (id)
);
INSERT INTO "facts" VALUES(1,'maize_price_kg','44','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(1,'grain_stores','[{"method": "woven_bag", "access": "own", "units": 60}, {"method": "woven_bag_protectant", "access": "own", "units": 60}, {"method": "hermetic_bag", "access": "buy", "units": 200, "unit_cost": 250}, {"name": "sealed bags at hand", "method": "hermetic_bag", "access": "own", "units": 12, "unit_cost": 250}]','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(1,'interest_monthly','0.05','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(1,'truck.capacity_kg','3000','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(1,'drying_spaces','[{"method": "concrete_floor", "access": "own", "area_m2": 80}, {"method": "tarpaulin", "access": "own", "area_m2": 150, "load_kg_m2": 12}, {"method": "mechanical", "access": "hire", "area_m2": 4.0, "fee_per_point_kg": 0.5}]','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(2,'drying_spaces','[{"name": "Hired sheets", "method": "tarpaulin", "area_m2": 30, "hire_per_bag_day": 2.0, "access": "hire"}, {"name": "Yard", "method": "concrete_floor", "area_m2": 40, "hire_per_bag_day": 0.0, "access": "own"}]','entered','','',NULL,1);
INSERT INTO "facts" VALUES(1,'meter.worth.deduction_per_point','0.03','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(1,'floor_wage_hour','55','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(2,'meter.worth.deduction_per_point','0.03','entered','','Asha','2024-02-05 08:00:00.000000',1);
INSERT INTO "facts" VALUES(2,'plan.discount_per_point','0.01','entered','','Asha','2024-02-05 08:00:00.000000',1);
CREATE TABLE groups (
	id INTEGER NOT NULL, 
	name VARCHAR(200) NOT NULL, 
	district VARCHAR(200) NOT NULL, 
	latitude FLOAT, 
	longitude FLOAT, 
	altitude_m FLOAT, 
	time_zone VARCHAR(64) NOT NULL, 
	currency VARCHAR(3) NOT NULL, 
	language VARCHAR(16) NOT NULL, 
	demo BOOLEAN NOT NULL, 
	version INTEGER DEFAULT '0' NOT NULL, revision INTEGER DEFAULT '1' NOT NULL, removed_at DATETIME, merged_into INTEGER, 
	CONSTRAINT pk_groups PRIMARY KEY (id)
);
INSERT INTO "groups" VALUES(1,'Upper terrace','Kirindi',-1.1,37.2,1300.0,'Africa/Nairobi','KES','en',0,12,1,NULL,NULL);
INSERT INTO "groups" VALUES(2,'Lower terrace','',NULL,NULL,NULL,'UTC','USD','en',0,2,1,NULL,NULL);
CREATE TABLE imports (
	id INTEGER NOT NULL, 
	group_id INTEGER NOT NULL, 
	kind VARCHAR(32) NOT NULL, 
	file_name VARCHAR(300) NOT NULL, 
	file_hash VARCHAR(64) NOT NULL, 
	imported_at DATETIME NOT NULL, 
	who VARCHAR(200) NOT NULL, 
	rows INTEGER NOT NULL, 
	summary TEXT, 
	undone_at DATETIME, 
	CONSTRAINT pk_imports PRIMARY KEY (id), 
	CONSTRAINT fk_imports_group_id FOREIGN KEY(group_id) REFERENCES groups (id)
);
CREATE TABLE lot_shares (
	lot_id INTEGER NOT NULL, 
	member_id INTEGER NOT NULL, 
	share FLOAT NOT NULL, 
	CONSTRAINT pk_lot_shares PRIMARY KEY (lot_id, member_id), 
	CONSTRAINT fk_lot_shares_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id), 
	CONSTRAINT fk_lot_shares_member_id FOREIGN KEY(member_id) REFERENCES members (id)
);
INSERT INTO "lot_shares" VALUES(1,1,1.0);
CREATE TABLE lots (
	id INTEGER NOT NULL, 
	group_id INTEGER NOT NULL, 
	label VARCHAR(200) NOT NULL, 
	commodity VARCHAR(64) NOT NULL, 
	variety VARCHAR(120) NOT NULL, 
	form VARCHAR(16) NOT NULL, 
	bags INTEGER NOT NULL, 
	bag_mass_kg FLOAT, 
	nominal_bag_kg FLOAT, 
	weighed_moisture_pct FLOAT, 
	weighed_on DATE, 
	owner_id INTEGER, 
	place VARCHAR(200) NOT NULL, 
	harvested_on DATE, 
	use VARCHAR(16) NOT NULL, 
	status VARCHAR(16) NOT NULL, 
	storage_method VARCHAR(64), 
	stored_on DATE, 
	note TEXT NOT NULL, 
	demo BOOLEAN NOT NULL, 
	import_id INTEGER, revision INTEGER DEFAULT '1' NOT NULL, 
	CONSTRAINT pk_lots PRIMARY KEY (id), 
	CONSTRAINT fk_lots_group_id FOREIGN KEY(group_id) REFERENCES groups (id), 
	CONSTRAINT fk_lots_import_id FOREIGN KEY(import_id) REFERENCES imports (id), 
	CONSTRAINT fk_lots_owner_id FOREIGN KEY(owner_id) REFERENCES members (id), 
	CONSTRAINT uq_lots_group_id_label UNIQUE (group_id, label)
);
INSERT INTO "lots" VALUES(1,1,'A-1','maize','','threshed',20,91.5,90.0,17.0,'2024-02-01',1,'','2024-01-28','sale','wet',NULL,NULL,'',0,NULL,1);
CREATE TABLE members (
	id INTEGER NOT NULL, 
	group_id INTEGER NOT NULL, 
	name VARCHAR(200) NOT NULL, 
	sex VARCHAR(16) NOT NULL, 
	birth_year INTEGER, 
	phone VARCHAR(40) NOT NULL, 
	consent BOOLEAN NOT NULL, 
	joined_on DATE, 
	left_on DATE, 
	import_id INTEGER, revision INTEGER DEFAULT '1' NOT NULL, 
	CONSTRAINT pk_members PRIMARY KEY (id), 
	CONSTRAINT fk_members_group_id FOREIGN KEY(group_id) REFERENCES groups (id), 
	CONSTRAINT fk_members_import_id FOREIGN KEY(import_id) REFERENCES imports (id)
);
INSERT INTO "members" VALUES(1,1,'Asha','female',1980,'',1,'2024-01-15',NULL,NULL,1);
CREATE TABLE price_quotes (
	id INTEGER NOT NULL, 
	group_id INTEGER NOT NULL, 
	quoted_on DATE NOT NULL, 
	market VARCHAR(200) NOT NULL, 
	commodity VARCHAR(64) NOT NULL, 
	price_per_kg FLOAT NOT NULL, 
	price_type VARCHAR(32) NOT NULL, 
	source VARCHAR(300) NOT NULL, 
	import_id INTEGER, 
	CONSTRAINT pk_price_quotes PRIMARY KEY (id), 
	CONSTRAINT fk_price_quotes_group_id FOREIGN KEY(group_id) REFERENCES groups (id), 
	CONSTRAINT fk_price_quotes_import_id FOREIGN KEY(import_id) REFERENCES imports (id)
);
INSERT INTO "price_quotes" VALUES(1,1,'2024-02-01','market','maize',40.0,'wholesale','',NULL);
CREATE TABLE programme_entries (
	id INTEGER NOT NULL, 
	group_id INTEGER, 
	kind VARCHAR(64) NOT NULL, 
	"on" DATE NOT NULL, 
	who VARCHAR(200) NOT NULL, 
	payload TEXT NOT NULL, 
	recorded_at DATETIME NOT NULL, 
	reverses INTEGER, 
	CONSTRAINT pk_programme_entries PRIMARY KEY (id), 
	CONSTRAINT fk_programme_entries_reverses FOREIGN KEY(reverses) REFERENCES programme_entries (id), 
	CONSTRAINT uq_programme_entries_reverses UNIQUE (reverses)
);
INSERT INTO "programme_entries" VALUES(1,NULL,'target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.5", "source": "mistyped", "currency": "", "scope": "programme"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "programme_entries" VALUES(2,NULL,'reversal','2026-11-02','Officer','{}','2026-11-02 09:00:00.000000',1);
INSERT INTO "programme_entries" VALUES(3,NULL,'target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.9", "source": "work plan", "currency": "", "scope": "programme"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "programme_entries" VALUES(4,2,'target','2027-06-30','Officer','{"key": "dry_when_sold", "value": "0.7", "source": "agreed", "currency": "", "scope": "group"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "programme_entries" VALUES(5,NULL,'currency','2026-11-01','Officer','{"currency": "EUR"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "programme_entries" VALUES(6,NULL,'exchange_rate','2026-10-30','Officer','{"from": "KES", "to": "EUR", "rate": "0.0067", "source": "invented"}','2026-11-02 09:00:00.000000',NULL);
INSERT INTO "programme_entries" VALUES(7,NULL,'target','2026-12-31','officer','{"key": "loss", "value": 0.05, "source": "invented"}','2026-11-01 08:00:00.000000',NULL);
CREATE TABLE readings (
	id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	taken_at DATETIME NOT NULL, 
	bag VARCHAR(64) NOT NULL, 
	temperature_c FLOAT, 
	relative_humidity_pct FLOAT, 
	meter_moisture_pct FLOAT, 
	tester VARCHAR(200) NOT NULL, 
	settled BOOLEAN, 
	import_id INTEGER, 
	CONSTRAINT pk_readings PRIMARY KEY (id), 
	CONSTRAINT fk_readings_import_id FOREIGN KEY(import_id) REFERENCES imports (id), 
	CONSTRAINT fk_readings_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id)
);
INSERT INTO "readings" VALUES(1,1,'2024-02-02 08:00:00.000000','3',NULL,NULL,14.2,'Asha',1,NULL);
CREATE TABLE roles (
	person VARCHAR(320) NOT NULL, 
	group_id INTEGER NOT NULL, 
	role VARCHAR(16) NOT NULL, 
	given_by VARCHAR(320) NOT NULL, 
	given_at DATETIME, 
	CONSTRAINT pk_roles PRIMARY KEY (person, group_id)
);
INSERT INTO "roles" VALUES('asha@example.org',1,'manager','owner@example.org','2024-02-05 08:00:00.000000');
CREATE TABLE sales (
	id INTEGER NOT NULL, 
	lot_id INTEGER NOT NULL, 
	sold_on DATE NOT NULL, 
	bags INTEGER NOT NULL, 
	mass_kg FLOAT NOT NULL, 
	moisture_pct FLOAT, 
	price_per_kg FLOAT NOT NULL, 
	buyer VARCHAR(200) NOT NULL, 
	paid_on DATE, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_sales PRIMARY KEY (id), 
	CONSTRAINT fk_sales_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id)
);
INSERT INTO "sales" VALUES(1,1,'2024-02-20',2,180.0,NULL,41.5,'',NULL,'');
CREATE TABLE tokens (
	token VARCHAR(120) NOT NULL, 
	taken_at DATETIME, 
	CONSTRAINT pk_tokens PRIMARY KEY (token)
);
CREATE INDEX ix_events_group_id ON events (group_id);
CREATE INDEX ix_imports_group_id ON imports (group_id);
CREATE INDEX ix_members_group_id ON members (group_id);
CREATE INDEX ix_members_import_id ON members (import_id);
CREATE INDEX ix_price_quotes_group_id ON price_quotes (group_id);
CREATE INDEX ix_price_quotes_import_id ON price_quotes (import_id);
CREATE INDEX ix_lots_group_id ON lots (group_id);
CREATE INDEX ix_lots_import_id ON lots (import_id);
CREATE INDEX ix_readings_import_id ON readings (import_id);
CREATE INDEX ix_readings_lot_id_taken_at ON readings (lot_id, taken_at);
CREATE INDEX ix_sales_lot_id ON sales (lot_id);
CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
CREATE INDEX ix_changes_group_id ON changes (group_id);
CREATE TRIGGER changes_no_update BEFORE UPDATE ON changes BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
CREATE TRIGGER changes_no_delete BEFORE DELETE ON changes BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
CREATE TRIGGER programme_entries_no_update BEFORE UPDATE ON programme_entries BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
CREATE TRIGGER programme_entries_no_delete BEFORE DELETE ON programme_entries BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END;
COMMIT;
