"""restore: what it says of the backup, of what was there before and of a service that runs."""

import fcntl


def test_a_restore_says_what_it_brought_and_what_it_left(farm, tmp_path):
    copy = tmp_path / "copy.duckdb"
    held = farm.store.reading_count()
    assert farm("backup", str(copy))[1] == f"written: {copy}, {held} readings\n"
    assert farm("note", "heron-01", "belt", "--by", "Ann")[0] == 0

    code, out, err = farm("restore", str(copy))

    said = " ".join(out.split())
    assert (code, err) == (0, "")
    assert said.startswith(f"restored: {held} readings, the newest of ")
    assert "; the backup was written " in said
    assert "farmwatch.duckdb.before-restore-" in said
    assert "It holds 1 note that the restored database does not." in said
    assert "service" not in said


def test_a_restore_beside_a_running_service_says_so(farm, tmp_path):
    copy = tmp_path / "copy.duckdb"
    farm("backup", str(copy))
    with farm.config.with_name("farmwatch.duckdb.service").open("wb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        said = " ".join(farm("restore", str(copy))[1].split())
    assert "The service is running and goes on with the restored database" in said
    assert "It holds nothing that the restored database does not." in said


def test_a_file_that_is_no_backup_is_left_where_it_is(farm, tmp_path):
    file = tmp_path / "host.py"
    file.write_text("print('mine')\n" * 2000)

    code, out, err = farm("restore", str(file))

    assert (code, out) == (2, "")
    assert "not a database of farmwatch; nothing was changed" in err
    assert "move it" not in err
    assert err.count("\n") == 1
