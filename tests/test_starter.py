"""The starter profile: it validates, names every key there is, and never overwrites."""

import re
import tomllib

import pytest

from lowambient import reference
from lowambient.errors import InputRefused, NoSpace
from lowambient.profile import load_profile
from lowambient.profile.loading import SPECS
from lowambient.profile.starter import starter_text, write_starter
from lowambient.records.inputs import TABLES


def test_the_starter_is_written_and_validates_as_it_is(tmp_path):
    path = write_starter(tmp_path / "new" / "fleet")
    assert path == tmp_path / "new" / "fleet" / "fleet.toml"
    profile = load_profile(path)
    assert {source.table for source in profile.sources} == set(TABLES)
    assert {source.layout for source in profile.sources if source.table == "readings"} == {"wide", "long"}


def test_the_starter_validates_with_every_commented_line_switched_on(tmp_path):
    # Lines such as `# sheet = "Sites"` are switched on one by one: each must be right in its place.
    lines = starter_text().splitlines()
    path = tmp_path / "fleet.toml"
    (tmp_path / "our_words.tsv").write_text("words\tmeant\tweight\nzlp\tlow pressure\t\n", encoding="utf-8")
    switched = 0
    for place, line in enumerate(lines):
        if re.match(r"# [a-z_]+ = ", line):
            text = "\n".join([*lines[:place], line[2:], *lines[place + 1 :]])
            if line.startswith("# sheet = "):
                text = text.replace("exports/sites.csv", "exports/sites.xlsx")
            path.write_text(text, encoding="utf-8")
            load_profile(path)
            switched += 1
    assert switched > 60


def test_the_starter_teaches_every_key_column_and_threshold():
    text = starter_text()
    for key in SPECS["source"]:
        assert re.search(rf"(?m)^(# )?({key} = |\[source\.{key}[.\]])", text), key
    for part in ("fleet", "costs", "plan", "option"):
        for key in SPECS[part]:
            assert re.search(rf"(?m)^(# )?{key} = ", text), key
    for name, threshold in reference.thresholds().items():
        assert re.search(rf"(?m)^# {name} = {re.escape(f'{threshold.value:.10g}')} ", text), name
    for table in TABLES.values():
        for column in table.column_names():
            assert re.search(rf"(?m)^(# )?{column} = |\(\?P<{column}>", text), column


def test_every_key_of_a_source_is_explained_where_it_first_stands():
    lines = starter_text().splitlines()
    for key in SPECS["source"]:
        first = next(line for line in lines if re.match(rf"(# )?({key} = |\[source\.{key}[.\]])", line))
        assert re.search(r"[\]\"'}] +# .{10}", first) or lines[lines.index(first) - 1].startswith("# "), key


def test_a_profile_that_is_there_is_left_alone(tmp_path):
    path = write_starter(tmp_path)
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputRefused, match="left as it is"):
        write_starter(tmp_path)
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_file_in_the_way_of_the_folder_is_refused(tmp_path):
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(InputRefused, match="taken"):
        write_starter(tmp_path / "taken")
    with pytest.raises(NoSpace, match="cannot be written"):
        write_starter(tmp_path / "taken" / "below")


def test_the_template_is_toml_before_its_lists_are_filled_in():
    assert tomllib.loads(starter_text())["fleet"]["name"]
