-- Every change that was asked for through the pages: by whom, from where, and what came of it. `key` is that of the form,
-- so that a form sent twice does nothing twice; outcome is NULL while it is being done.
CREATE TABLE page_changes (
    key VARCHAR PRIMARY KEY,
    "at" TIMESTAMPTZ NOT NULL,
    who VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    "from" VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    about VARCHAR NOT NULL,
    outcome VARCHAR
);
