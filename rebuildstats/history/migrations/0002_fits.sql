-- One row per fitted life of the last fit: `kind` life (of a component) or unit, `hash` of the lives it was fitted to (a fit is used only
-- for that very hash), `place` its order in the answer, `fit` the fit itself (JSON). Nothing here is history: it can be made again.
create table fits (kind VARCHAR not null, hash VARCHAR not null, place BIGINT not null, family VARCHAR not null, component VARCHAR, fit VARCHAR not null);
