-- By which mapping the meshes were read that showed what a move did; NULL where that is not known.
ALTER TABLE realign_moves ADD COLUMN read_by VARCHAR;
UPDATE realign_moves SET read_by = (
    SELECT max(readings.read_by) FROM readings
    WHERE readings.machine = realign_moves.machine AND readings.taken_at = realign_moves.after_at
);

-- At which address the configuration last had a machine, so that one under a new name can be told.
CREATE TABLE addresses (
    machine VARCHAR PRIMARY KEY,
    address VARCHAR NOT NULL
);
