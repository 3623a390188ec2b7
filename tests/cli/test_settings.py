"""The environment, read once: good values, and one clear line for each bad one."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import PREFIX, Settings, SettingsError, is_loopback, read_settings


def _read(**values: str) -> Settings:
    return read_settings({PREFIX + name: value for name, value in values.items()} | {"PATH": "/bin"})


def test_nothing_set_is_the_default() -> None:
    assert _read() == Settings()
    assert is_loopback(Settings().host)


def test_everything_set(tmp_path: Path) -> None:
    read = _read(
        HOST="0.0.0.0", PORT="9000", WORKERS="4", CONNECTIONS="70", MAX_BODY_BYTES="1024", RULES_DIR=str(tmp_path),
        EXTRA_RULES_DIR=str(tmp_path), DEFAULT_PROFILE="county-2", LOG_LEVEL="debug", PUBLIC="true",
    )  # fmt: skip
    assert read == Settings("0.0.0.0", 9000, 4, 1024, tmp_path, tmp_path, "county-2", "debug", True, connections=70)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PORT", "0"),
        ("PORT", "65536"),
        ("PORT", "-1"),
        ("PORT", "8o80"),
        ("PORT", ""),
        ("WORKERS", "0"),
        ("CONNECTIONS", "1.5"),
        ("MAX_BODY_BYTES", "8MiB"),
        ("RULES_DIR", "/nowhere/at/all"),
        ("RULES_DIR", ""),
        ("EXTRA_RULES_DIR", __file__),
        ("DEFAULT_PROFILE", "Not An Id"),
        ("LOG_LEVEL", "INFO"),
        ("PUBLIC", "yes"),
        ("HOST", "a b"),
        ("COLOUR", "red"),
        ("port", "8080"),
    ],
)
def test_a_bad_setting_is_one_line_that_names_it(name: str, value: str) -> None:
    with pytest.raises(SettingsError) as caught:
        _read(**{name: value})
    (line,) = caught.value.lines
    assert line.startswith(PREFIX + name)


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        _read(PORT="x", WORKERS="x", WHAT="x")
    assert len(caught.value.lines) == 3


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "example.org"])
def test_an_address_others_reach_has_to_be_said_on_purpose(host: str) -> None:
    with pytest.raises(SettingsError, match="PUBLIC"):
        _read(HOST=host)
    assert _read(HOST=host, PUBLIC="true").host == host


@pytest.mark.parametrize("host", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_loopback_needs_no_word(host: str) -> None:
    assert _read(HOST=host).host == host
