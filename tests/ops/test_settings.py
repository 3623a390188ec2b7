"""Settings that belong together or exclude each other: one clear line each, and no start."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import PREFIX, SETTINGS, Settings, SettingsError, read_settings


def read(**values: str) -> Settings:
    return read_settings({PREFIX + name: value for name, value in values.items()})


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "file"
    path.write_text("x")
    return str(path)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"PUBLIC": "true", "CLIENTS_FILE": "FILE"}, "PUBLIC"),
        ({"HOST": "0.0.0.0"}, "CLIENTS_FILE"),
        ({"KEY_SET_FILE": "FILE"}, "TOKEN_ISSUER"),
        ({"TOKEN_ISSUER": "x", "TOKEN_AUDIENCE": "y"}, "KEY_SET_FILE"),
        ({"TOKEN_SCOPES": "review"}, "KEY_SET_FILE"),
        ({"TLS_KEY_FILE": "FILE"}, "TLS_CERTIFICATE_FILE"),
        ({"TLS_CLIENT_CA_FILE": "FILE", "CLIENTS_FILE": "FILE"}, "TLS_CERTIFICATE_FILE"),
        ({"TRUSTED_PROXIES": "10.0.0.0/8"}, "CLIENTS_FILE"),
        ({"OPERATIONS_PORT": "8080"}, "OPERATIONS_PORT"),
        ({"TOKEN_SCOPES": "everything"}, "TOKEN_SCOPES"),
        ({"TRUSTED_PROXIES": "10.0.0.1/8"}, "TRUSTED_PROXIES"),
        ({"CLIENTS_FILE": "nowhere"}, "CLIENTS_FILE"),
        ({"BASE_URL": "a b"}, "BASE_URL"),
        ({"IN_HAND": "0"}, "IN_HAND"),
        ({"LINK_TEMPLATE": "javascript:alert(1)"}, "LINK_TEMPLATE"),
        ({"LINK_TEMPLATE": "https://host.example/{patient}"}, "LINK_TEMPLATE"),
        ({"FRAME_ANCESTORS": "*"}, "FRAME_ANCESTORS"),
    ],
)
def test_what_does_not_fit_together_is_refused(values: dict[str, str], word: str, file: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read(**{name: file if value == "FILE" else value for name, value in values.items()})
    (line,) = caught.value.lines
    assert word in line


def test_a_page_links_into_the_host_and_is_framed_by_it() -> None:
    read_here = read(
        LINK_TEMPLATE="https://host.example/{episode_ref}?at={pointer}&id={item}",
        FRAME_ANCESTORS="https://host.example",
    )
    assert read_here.link_template == "https://host.example/{episode_ref}?at={pointer}&id={item}"
    assert read_here.frame_ancestors == ("https://host.example",)


def test_access_takes_the_place_of_the_word(file: str) -> None:
    assert read(HOST="0.0.0.0", CLIENTS_FILE=file).asks_who_calls
    assert not read(HOST="0.0.0.0", PUBLIC="true").asks_who_calls
    assert read(HOST="::", KEY_SET_FILE=file, TOKEN_ISSUER="i", TOKEN_AUDIENCE="a").asks_who_calls


def test_every_setting_has_a_field_and_a_meaning() -> None:
    assert {name.lower() for name in SETTINGS} == set(Settings.__dataclass_fields__)
    assert all(setting.says for setting in SETTINGS.values())
