-- With which screws and drive a move was made (the mark of its model then); NULL where that is not known.
ALTER TABLE realign_moves ADD COLUMN made_with VARCHAR;
