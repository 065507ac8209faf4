"""What a stage leaves for people to look at is kept beside the result, and beside a held job."""

import pytest

from whole.conftest import drop, files, hotfolder, records, small, write_destination  # noqa: F401 - fixtures

STAGE = """
from hotfolder import Stage, StageSettings, Hold
class Settings(StageSettings):
    hold: bool = False
class Sheet(Stage[Settings]):
    name = 'sheet'
    Settings = Settings
    def open(self, raster, job):
        self.job, self.profiles = job, job.profiles
        return raster
    def close(self):
        if self.settings.hold:
            raise Hold('mud', 'Mud.')
        return {}
    def present(self):
        self.job.attach('sheet.html', 'Sheet', 'proof-sheet').write_text('<p>mud</p>')
        self.job.attach('thumbnail.jpg', 'Small', 'thumbnail').write_bytes(b'small')
        self.job.attach('ink by channel.csv', 'Ink <by> channel').write_text('c;m')
        self.job.attach('never.txt', 'Never written')
        (self.job.folder / 'scratch.txt').write_text('of no use to anybody')
        (self.profiles / 'presented').touch()
"""


def use(root, hold, keep):
    (root.plugins / "sheet.py").write_text(STAGE)
    stage = f"[stage.sheet]\nhold = {hold}\n[stage.sizing]"
    write_destination(root, **{'"tagging"]': '"sheet", "tagging"]', "[stage.sizing]": stage})
    path = root.destinations / "fine-art-canvas.toml"
    path.write_text(f'keep_sheets = "{keep}"\n{path.read_text()}')
    drop(root, "mud.tif")


def test_a_delivered_jobs_sheet_is_in_sheets_under_the_jobs_name(small, hotfolder):  # noqa: F811
    use(small, "false", keep="all")
    assert hotfolder("sweep", small.path).returncode == 0
    (record,) = records(small)
    job = record["job"]
    assert files(small.path / "out/fine-art-canvas") == [
        "mud.tif",
        f"sheets/{job}-ink by channel.csv",
        f"sheets/{job}.html",
        f"sheets/{job}.jpg",
    ]
    assert [("proof-sheet", "Sheet"), ("thumbnail", "Small"), ("other", "Ink <by> channel")] == [
        (each["kind"], each["title"]) for each in record["attachments"]
    ]
    assert {"sheet"} == {each["stage"] for each in record["attachments"]}
    page = (small.path / "out/fine-art-canvas/sheets/index.html").read_text()
    assert f'<a href="{job}-ink%20by%20channel.csv">Ink &lt;by&gt; channel</a>' in page


def test_a_held_jobs_sheet_is_in_its_folder_and_goes_with_the_release(small, hotfolder):  # noqa: F811
    use(small, "true", keep="all")
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    folder = small.path / "held/fine-art-canvas" / record["job"]
    assert (folder / "proof-sheet.html").read_text() == "<p>mud</p>"
    assert (folder / "attachments" / "ink by channel.csv").read_text() == "c;m"
    page = (folder.parent / "index.html").read_text()
    assert f'<a href="{record["job"]}/attachments/ink%20by%20channel.csv">' in page
    assert "Ink <by> channel: " in (folder / "why.txt").read_text()
    assert hotfolder("release", record["job"], small.path).returncode == 0
    assert hotfolder("sweep", small.path).returncode == 0
    other = small.path / f"out/fine-art-canvas/sheets/{record['job']}-ink by channel.csv"
    assert "c;m" == other.read_text()
    sheet = small.path / f"out/fine-art-canvas/sheets/{record['job']}.html"
    assert "<p>mud</p>" == sheet.read_text()


@pytest.mark.parametrize(
    ("hold", "kept"), [("false", []), ("true", ["proof-sheet", "thumbnail", "other"])]
)
def test_sheets_are_kept_of_held_jobs_only_where_the_settings_say_so(small, hotfolder, hold, kept):  # noqa: F811
    use(small, hold, keep="held")
    assert hotfolder("sweep", small.path).returncode == (3 if kept else 0)
    (record,) = records(small)
    assert kept == [each["kind"] for each in record["attachments"]]
    assert bool(kept) == (small.profiles / "presented").exists()


def test_a_held_list_says_why_there_is_no_small_picture(small, hotfolder):  # noqa: F811
    drop(small, "mud.tif", profile=False)
    hotfolder("sweep", small.path)
    page = (small.path / "held/fine-art-canvas/index.html").read_text()
    assert "No small picture: the job was held before one was made." in page
