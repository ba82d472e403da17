-- What was said of the days to come, one row a machine and ISO week, and what came of it. `p10`, `p50`, `p90` are days
-- from `said_at`, NULL where later than the horizon. `passed_at`: the range passed the limit by itself; `ended_at`:
-- something else happened before, so that the forecast can no longer be judged.
CREATE TABLE said_forecasts (
    machine VARCHAR NOT NULL,
    week VARCHAR NOT NULL,
    said_at TIMESTAMPTZ NOT NULL,
    chance DOUBLE NOT NULL,
    p10 DOUBLE,
    p50 DOUBLE,
    p90 DOUBLE,
    horizon_days INTEGER NOT NULL,
    passed_at TIMESTAMPTZ,
    ended_at TIMESTAMPTZ
);

-- How common each kind of drift is among the machines of a model, as the farm's own histories have it.
CREATE TABLE drift_priors (
    model VARCHAR NOT NULL,
    learned_at TIMESTAMPTZ NOT NULL,
    machines INTEGER NOT NULL,
    drift VARCHAR NOT NULL,
    weight DOUBLE NOT NULL
);
