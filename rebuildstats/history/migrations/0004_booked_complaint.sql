-- What the driver complains of may be known when a teardown is booked.
alter table planned add column "complaint" VARCHAR;
alter table past.planned add column "complaint" VARCHAR;
