"""Simulation of discovery against the same model in SimPy, and what must hold of any such simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.forecast.twin import Twin
from toprung.forecast import simulation
from toprung.forecast.company import company_of
from toprung.forecast.reach import reach_of
from toprung.forecast.simulation import run, simulate, tables_of
from toprung.model.site_file import load_site


def site_of(count, library="cyclone", per=2, mode="multicast", budget="", link=""):
    """Participants in a ring, so many on each machine of one link; `link`: what else is said of it."""
    hosts = [f"10.1.{m // 200}.{1 + m % 200}" for m in range(-(-count // per))]
    lines = ["site: ring", "machines:"]
    lines += [f"  m{m}: {{interfaces: {{e: {host}/16}}{budget}}}" for m, host in enumerate(hosts)]
    ends = ", ".join(f"m{m}.e" for m in range(len(hosts)))
    lines += ["links:", f"  l: {{kind: ethernet, joins: [{ends}]{link}}}", "participants:"]
    how = mode if mode == "multicast" else f"{{peers: [{', '.join(hosts)}]}}"
    lines += [
        f"  p{i}: {{machine: m{i // per}, middleware: {library}, discovery: {how}}}" for i in range(count)
    ]
    lines.append("topics:")
    for i in range(count):
        for k in range(3):
            lines.append(f"  t{i}_{k}: {{type: a::B, from: p{i}, to: p{(i + k + 1) % count}}}")
    return load_site("\n".join(lines) + "\n")


def both(company, horizon_s, seed, monkeypatch=None):
    """The kernel's run and the twin's, with delays that make no two events happen at once."""
    dice = np.random.default_rng(seed)
    machines = len(company.site.machines)
    delay = dice.uniform(0.5e-3, 2e-3, (machines, machines))
    passes = np.full((machines, machines), 1 - dice.uniform(0, 0.2))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulation, "links_of", lambda site: (delay.copy(), passes.copy()))
        kernel = run(company, seed, horizon_s)
        twin = Twin(
            tables_of(company, horizon_s),
            company.starts_s.tolist(),
            (company.starts_s + company.late_s).tolist(),
            seed,
        )
    twin.run(horizon_s)
    return kernel, twin


def matrix(twin, count):
    found = np.full((count, count), -1.0)
    for person in twin.people:
        for number, at in person.has_at.items():
            found[person.number, number] = at
    return found


@pytest.mark.parametrize("library", ["cyclone", "fast"])
@pytest.mark.parametrize("mode", ["multicast", "peers"])
@pytest.mark.parametrize("seed", [1, 2])
def test_same_model_in_simpy(library, mode, seed):
    site = site_of(9, library, budget=", budget: {messages: 2000 Hz}", mode=mode)
    dice = np.random.default_rng(seed)
    starts = {p.name: float(s) for p, s in zip(site.participants, dice.uniform(0, 0.3, 9), strict=True)}
    company = company_of(site, reach_of(site), starts_s=starts)
    kernel, twin = both(company, 4.0, seed)
    np.testing.assert_allclose(kernel.has_at, matrix(twin, 9), rtol=0, atol=1e-6)  # kept as single precision
    assert kernel.sent.tolist() == twin.sent
    assert kernel.received.tolist() == twin.received
    assert kernel.dropped.tolist() == twin.dropped
    assert kernel.lapses == twin.lapses


def test_starved_machines_lapse_in_both():
    site = site_of(6, "fast", per=1, budget=", budget: {messages: 12 Hz}")
    starts = {p.name: 0.037 * i for i, p in enumerate(site.participants)}
    company = company_of(site, reach_of(site), starts_s=starts)
    kernel, twin = both(company, 60.0, 3)
    assert kernel.lapses == twin.lapses
    assert kernel.dropped.sum() == sum(twin.dropped) > 0


@pytest.mark.parametrize("library", ["cyclone", "fast"])
def test_all_are_introduced_without_loss(library):
    site = site_of(12, library)
    result = simulate(site, reach_of(site), seeds=(1, 2), horizon_s=10.0)
    assert result.unfinished == 0
    assert result.lapses == 0
    assert all(0 < p50 <= p95 < 3 for p50, p95 in result.flows.values())
    assert all(m.introduced_p50_s is not None and not m.growing for m in result.machines)


def test_overload_grows_and_is_named():
    site = site_of(40, "fast", per=20, budget=", budget: {messages: 40 Hz}")
    result = simulate(site, reach_of(site), seeds=(1,), horizon_s=40.0)
    assert result.machines[0].dropped > 0
    assert result.unfinished > 0
    assert result.lapses > 0


def test_a_site_without_participants():
    site = load_site("site: empty\nmachines: {m: {interfaces: {e: 10.0.0.1/24}}}\n")
    result = simulate(site, reach_of(site))
    assert result.flows == {}
    assert result.machines[0].introduced_p50_s is None


def test_equal_seeds_make_equal_runs():
    site = site_of(8, link=", loss: 10 %")
    one, other = (simulate(site, reach_of(site), seeds=(7,), horizon_s=5.0) for _ in range(2))
    assert one.flows == other.flows
    assert one.events == other.events


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 7), st.sampled_from(["cyclone", "fast"]), st.floats(0.05, 0.4))
def test_loss_never_speeds_up(count, library, share):
    clean = site_of(count, library, per=1)
    lossy = site_of(count, library, per=1, link=f", loss: {share * 100:.1f} %")
    starts = {p.name: 0.05 * i for i, p in enumerate(clean.participants)}
    seeds = range(1, 9)
    fast, slow = (
        simulate(s, reach_of(s), seeds=seeds, horizon_s=20.0, starts_s=starts) for s in (clean, lossy)
    )
    for flow, (p50, p95) in fast.flows.items():
        late50, late95 = slow.flows[flow]
        assert late50 is None or late50 >= p50 - 0.02  # another path through the timers may win a little
        assert late95 is None or late95 >= p95 - 0.02


@settings(max_examples=10, deadline=None)
@given(st.integers(2, 10), st.sampled_from(["cyclone", "fast"]))
def test_a_longer_way_is_never_quicker(count, library):
    near, far = (site_of(count, library, per=1, link=f", delay: {d}") for d in ("0.5 ms", "5 ms"))
    starts = {p.name: 0.2 * i for i, p in enumerate(near.participants)}
    one, other = (simulate(s, reach_of(s), seeds=(1,), horizon_s=12.0, starts_s=starts) for s in (near, far))
    assert all(other.flows[flow][0] >= times[0] for flow, times in one.flows.items())


def test_a_run_is_the_same_uncompiled():
    """The kernel's own file, as plain Python."""
    from tests.forecast.uncompiled import plain_kernels

    site = site_of(6, link=", loss: 5 %")
    company = company_of(site, reach_of(site))
    compiled = run(company, 5, 3.0)
    with plain_kernels() as kernels, pytest.MonkeyPatch.context() as patch:
        for name, kernel in kernels.items():
            patch.setattr(simulation, name, kernel)
        plain = run(company, 5, 3.0)
    assert compiled.events == plain.events
    np.testing.assert_array_equal(compiled.has_at, plain.has_at)
    assert compiled.sent.tolist() == plain.sent.tolist()
