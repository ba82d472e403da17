-- What the company's other sites have learned, as its file had it (farmwatch.priors/1); the newest counts.
CREATE TABLE company_priors (
    taken_at TIMESTAMPTZ NOT NULL,
    document VARCHAR NOT NULL
);
