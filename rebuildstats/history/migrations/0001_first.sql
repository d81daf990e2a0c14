-- Schema 1. A row of a table in `main` is a row of the contract as it stands now; a row of the same table in `past` is one that was
-- replaced, withdrawn or undone, with when, by whom and why. Columns beginning with `_` are bookkeeping: `_load` the load that wrote the
-- row, `_since` the load since which it stands there (a later one where an undoing brought it back), `_notes` the columns of the file that the contract does not know (JSON), `_twin` what tells equal lines without a slip apart.
-- Keys are kept by the loads (every write path goes through the same checks; `check` counts again): an index on a million findings
-- would make a load several times slower.
create schema past;

-- One row per schema version this file has been through.
create table schema_versions (program VARCHAR not null, version BIGINT not null, applied_at TIMESTAMP not null, written_with VARCHAR not null);

-- One row per setting of the store.
create table settings (name VARCHAR not null, value VARCHAR not null);

-- One row per write of history: a load, a form, a withdrawal, an undo. Moments are UTC.
create table loads (load BIGINT not null, loaded_at TIMESTAMP not null, who VARCHAR not null, kind VARCHAR not null, what VARCHAR not null, undone_by BIGINT);

-- One row per file (or sheet) that a load read.
create table load_files (load BIGINT not null, file VARCHAR not null, path VARCHAR not null, table_name VARCHAR not null, bytes BIGINT not null, sha256 VARCHAR not null, rows_read BIGINT not null);

-- One row per table of a load: what became of the rows read.
create table load_counts (load BIGINT not null, table_name VARCHAR not null, read BIGINT not null, new BIGINT not null, changed BIGINT not null, same BIGINT not null, rejected BIGINT not null, held BIGINT not null, blank BIGINT not null);

-- One row per fault of a row that did not go in. `row` is the whole row as it was read (JSON); `key` its key (JSON, empty where the key
-- itself is at fault); `settled_by` the load in which the row went in or came again.
create table rejects (load BIGINT not null, "table" VARCHAR not null, file VARCHAR not null, line BIGINT, "column" VARCHAR, value VARCHAR, reason VARCHAR not null, "row" VARCHAR not null, waits_for VARCHAR, key VARCHAR, settled_by BIGINT);

-- One row per name that a person joined to another: every later load reads `name` as `kept`.
create table joined_names (kind VARCHAR not null, name VARCHAR not null, kept VARCHAR not null, load BIGINT not null, undone_by BIGINT);

create table vehicles (
  "vehicle" VARCHAR not null,
  "site" VARCHAR,
  "duty" VARCHAR,
  "in_service_on" DATE,
  "out_of_service_on" DATE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.vehicles (
  "vehicle" VARCHAR,
  "site" VARCHAR,
  "duty" VARCHAR,
  "in_service_on" DATE,
  "out_of_service_on" DATE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table odometers (
  "vehicle" VARCHAR not null,
  "read_on" DATE not null,
  "odometer" DOUBLE not null,
  "meter" BIGINT not null,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.odometers (
  "vehicle" VARCHAR,
  "read_on" DATE,
  "odometer" DOUBLE,
  "meter" BIGINT,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table units (
  "unit" VARCHAR not null,
  "family" VARCHAR not null,
  "origin" VARCHAR,
  "first_seen_on" DATE,
  "first_seen_mileage" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.units (
  "unit" VARCHAR,
  "family" VARCHAR,
  "origin" VARCHAR,
  "first_seen_on" DATE,
  "first_seen_mileage" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table fitments (
  "unit" VARCHAR not null,
  "vehicle" VARCHAR not null,
  "fitted_on" DATE not null,
  "fitted_odometer" DOUBLE,
  "removed_on" DATE,
  "removed_odometer" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.fitments (
  "unit" VARCHAR,
  "vehicle" VARCHAR,
  "fitted_on" DATE,
  "fitted_odometer" DOUBLE,
  "removed_on" DATE,
  "removed_odometer" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table components (
  "family" VARCHAR not null,
  "component" VARCHAR not null,
  "name" VARCHAR,
  "group" VARCHAR,
  "positions" BIGINT,
  "renewal" VARCHAR,
  "supplied_in" VARCHAR,
  "shows" VARCHAR,
  "safety" BOOLEAN,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.components (
  "family" VARCHAR,
  "component" VARCHAR,
  "name" VARCHAR,
  "group" VARCHAR,
  "positions" BIGINT,
  "renewal" VARCHAR,
  "supplied_in" VARCHAR,
  "shows" VARCHAR,
  "safety" BOOLEAN,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table points (
  "family" VARCHAR not null,
  "point" VARCHAR not null,
  "component" VARCHAR not null,
  "method" VARCHAR,
  "reading_unit" VARCHAR,
  "as_new" DOUBLE,
  "low_limit" DOUBLE,
  "high_limit" DOUBLE,
  "caution" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.points (
  "family" VARCHAR,
  "point" VARCHAR,
  "component" VARCHAR,
  "method" VARCHAR,
  "reading_unit" VARCHAR,
  "as_new" DOUBLE,
  "low_limit" DOUBLE,
  "high_limit" DOUBLE,
  "caution" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table parts (
  "part" VARCHAR not null,
  "name" VARCHAR,
  "unit_cost" DOUBLE,
  "pack_size" DOUBLE,
  "min_order" DOUBLE,
  "supplier" VARCHAR,
  "lead_time_days" DOUBLE,
  "lead_time_sd_days" DOUBLE,
  "shelf_life_days" DOUBLE,
  "core_charge" DOUBLE,
  "replaced_by" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.parts (
  "part" VARCHAR,
  "name" VARCHAR,
  "unit_cost" DOUBLE,
  "pack_size" DOUBLE,
  "min_order" DOUBLE,
  "supplier" VARCHAR,
  "lead_time_days" DOUBLE,
  "lead_time_sd_days" DOUBLE,
  "shelf_life_days" DOUBLE,
  "core_charge" DOUBLE,
  "replaced_by" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table part_uses (
  "family" VARCHAR not null,
  "component" VARCHAR not null,
  "part" VARCHAR not null,
  "quantity" DOUBLE,
  "choice" VARCHAR,
  "share" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.part_uses (
  "family" VARCHAR,
  "component" VARCHAR,
  "part" VARCHAR,
  "quantity" DOUBLE,
  "choice" VARCHAR,
  "share" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table stock (
  "part" VARCHAR not null,
  "site" VARCHAR not null,
  "counted_on" DATE,
  "on_hand" DOUBLE,
  "on_order" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.stock (
  "part" VARCHAR,
  "site" VARCHAR,
  "counted_on" DATE,
  "on_hand" DOUBLE,
  "on_order" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table orders (
  "order" VARCHAR not null,
  "part" VARCHAR not null,
  "site" VARCHAR,
  "ordered_on" DATE,
  "quantity" DOUBLE,
  "due_on" DATE,
  "received_on" DATE,
  "received_quantity" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.orders (
  "order" VARCHAR,
  "part" VARCHAR,
  "site" VARCHAR,
  "ordered_on" DATE,
  "quantity" DOUBLE,
  "due_on" DATE,
  "received_on" DATE,
  "received_quantity" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table sites (
  "site" VARCHAR not null,
  "served_by" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.sites (
  "site" VARCHAR,
  "served_by" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table teardowns (
  "job" VARCHAR not null,
  "unit" VARCHAR not null,
  "opened_on" DATE not null,
  "unit_mileage" DOUBLE,
  "vehicle" VARCHAR,
  "odometer" DOUBLE,
  "reason" VARCHAR,
  "scope" VARCHAR,
  "complaint" VARCHAR,
  "site" VARCHAR,
  "bench" VARCHAR,
  "closed_on" DATE,
  "waiting_from" DATE,
  "waiting_until" DATE,
  "waiting_for" VARCHAR,
  "labour_hours" DOUBLE,
  "outside_cost" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.teardowns (
  "job" VARCHAR,
  "unit" VARCHAR,
  "opened_on" DATE,
  "unit_mileage" DOUBLE,
  "vehicle" VARCHAR,
  "odometer" DOUBLE,
  "reason" VARCHAR,
  "scope" VARCHAR,
  "complaint" VARCHAR,
  "site" VARCHAR,
  "bench" VARCHAR,
  "closed_on" DATE,
  "waiting_from" DATE,
  "waiting_until" DATE,
  "waiting_for" VARCHAR,
  "labour_hours" DOUBLE,
  "outside_cost" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table findings (
  "job" VARCHAR not null,
  "component" VARCHAR not null,
  "point" VARCHAR not null,
  "position" BIGINT not null,
  "reading" DOUBLE,
  "condition" VARCHAR,
  "verdict" VARCHAR,
  "action" VARCHAR,
  "role" VARCHAR,
  "part" VARCHAR,
  "quantity" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.findings (
  "job" VARCHAR,
  "component" VARCHAR,
  "point" VARCHAR,
  "position" BIGINT,
  "reading" DOUBLE,
  "condition" VARCHAR,
  "verdict" VARCHAR,
  "action" VARCHAR,
  "role" VARCHAR,
  "part" VARCHAR,
  "quantity" DOUBLE,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table issued_parts (
  "issued_on" DATE not null,
  "part" VARCHAR not null,
  "quantity" DOUBLE not null,
  "kind" VARCHAR,
  "job" VARCHAR,
  "site" VARCHAR,
  "slip" VARCHAR not null,
  _twin VARCHAR not null,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.issued_parts (
  "issued_on" DATE,
  "part" VARCHAR,
  "quantity" DOUBLE,
  "kind" VARCHAR,
  "job" VARCHAR,
  "site" VARCHAR,
  "slip" VARCHAR,
  _twin VARCHAR not null,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);

create table planned (
  "plan" VARCHAR not null,
  "due_on" DATE not null,
  "unit" VARCHAR,
  "family" VARCHAR,
  "count" BIGINT,
  "reason" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR
);

create table past.planned (
  "plan" VARCHAR,
  "due_on" DATE,
  "unit" VARCHAR,
  "family" VARCHAR,
  "count" BIGINT,
  "reason" VARCHAR,
  _load BIGINT not null,
  _since BIGINT not null,
  _notes VARCHAR,
  _until_load BIGINT not null,
  _until TIMESTAMP not null,
  _who VARCHAR not null,
  _why VARCHAR not null
);
