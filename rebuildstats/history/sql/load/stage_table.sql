-- One row per row read for a table: its place in the load, its file and line, its cells as text.
create or replace temp table {rows} (
  _row BIGINT, _file INTEGER, _line BIGINT, _waiting BIGINT, _waiting_file VARCHAR, _fault VARCHAR, _fault_column VARCHAR, _fault_value VARCHAR, _raw VARCHAR, _notes VARCHAR, {columns}
);

create or replace temp view {stage} as from {rows}
