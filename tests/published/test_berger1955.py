"""Tension from amplitude: Berger's form and the exact in-plane solution, worked numbers."""

from __future__ import annotations

from bothheads.physics.glide import fixed_rim_factor, glide_cents, tension_rise
from evidence import assert_canary, assert_published

FILM = 0.254e-3 * 1390.0


def check() -> None:
    rise = tension_rise(5e-3, 0.2794, surface_density=FILM, berger=True)
    assert_published(rise, 355.64, 0.01, source="E h/(2(1-nu^2)) (j J1(j))^2 (w0/a)^2, E 4.8 GPa, nu 0.38",
                     kind="closed form")
    assert_published(tension_rise(5e-3, 0.2794, surface_density=FILM), 290.70, 0.01,
                     source="0.81740 x Berger: von Karman plate, rim fixed in plane", kind="closed form")
    assert_published(glide_cents(rise, 1200.0), 182.4, 0.2, source="Duffing: 1 + 3/8 dT/T", kind="closed form")
    assert_published(fixed_rim_factor(0.30), 0.78550, 1e-9, source="von Karman plate, nu 0.30", kind="closed form")


def test_worked_example() -> None:
    check()
    assert_canary(check)
