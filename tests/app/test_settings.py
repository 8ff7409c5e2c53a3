"""Every setting says what it is for, and is read from the environment."""

from app.settings import Settings


def test_every_setting_is_described():
    assert [name for name, field in Settings.model_fields.items() if not field.description] == []


def test_settings_are_read_from_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("KNEELTURN_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("KNEELTURN_PORT", "8123")
    settings = Settings()
    assert settings.port == 8123
    assert settings.database_address == f"sqlite:///{tmp_path / 'kneelturn.sqlite3'}"
