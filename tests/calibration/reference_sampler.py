"""The sweat posterior drawn by a sampler of another kind, against the kit's own draws.

    python tests/calibration/reference_sampler.py --series 6 --out results

The density is written anew here, in JAX, from the model's words: every pot's effect is a parameter
of its own and nothing is integrated out; NUTS (Hoffman & Gelman 2014, in NumPyro) draws from it
until split R-hat is under 1.01. For the load at which a piece of a new pot reaches grade 2 with 5 %
risk it prints the 5 % and 50 % points of both, their difference, and the joint Monte Carlo error.
Needs the extra ``reference``. Finished series are kept in the folder.
"""

import argparse
import json
import os
import tempfile
import time
from pathlib import Path

# The arrays are small: threads would only wait for each other.
os.environ.setdefault(
    "XLA_FLAGS", "--xla_cpu_multi_thread_eigen=false intra_op_parallelism_threads=1"
)

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from numpyro.diagnostics import effective_sample_size, split_gelman_rubin
from numpyro.infer import MCMC, NUTS, init_to_median
from scipy import optimize, special, stats

from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws
from scentlab.maths.sampling import quantile_error, weighted_quantile
from scentlab.recording.reading import read_series
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
from scentlab.workshop import make_demo_series

numpyro.enable_x64()
CHANCES = (0.05, 0.5)
RISK, LIMIT, KIT_DRAWS = 0.05, 10.0, 16_000
LN2, ROOT2 = np.log(2.0), np.sqrt(2.0)
# log F and 1 - F of the latent noise.
NOISE = {
    "logit": (lambda z: -jnp.logaddexp(0.0, -z), lambda z: special.expit(-z)),
    "skewed": (
        lambda z: -LN2 * jnp.exp(jnp.clip(-z / ROOT2, -500, 500)),
        lambda z: -np.expm1(-LN2 * np.exp(-z / ROOT2)),
    ),
}


def model(cells, centre, link):
    """Priors and likelihood; ``cells``: arrays load, blend, pot, heat (C,) and counts (C, 5)."""
    blends, pots = len(centre), int(cells["pot"].max()) + 1
    if blends == 1:
        capacity = numpyro.sample("capacity", dist.StudentT(3.0, centre, 4.0).to_event(1))
        log_spread = numpyro.sample("log_spread", dist.Normal(np.log(0.8), 0.8)) * jnp.ones(1)
    else:
        pool = numpyro.sample("pool", dist.LogNormal(np.log(1.5), 0.6))
        together = numpyro.sample("together", dist.Normal(0.0, 5.0))
        own = numpyro.sample("own", dist.Normal().expand([blends]).to_event(1))
        capacity = numpyro.deterministic("capacity", centre + together + pool * own)
        common = numpyro.sample("log_spread", dist.Normal(np.log(0.8), 0.8))
        shift = numpyro.sample("shift", dist.Normal(0.0, 0.6).expand([blends]).to_event(1))
        log_spread = common + shift
    spread = numpyro.deterministic("spread", jnp.exp(log_spread))
    gaps = numpyro.sample("gaps", dist.LogNormal(np.log(1.5), 0.7).expand([3]).to_event(1))
    tau = numpyro.deterministic("tau", jnp.concatenate([jnp.zeros(1), jnp.cumsum(gaps)]))
    sigma = numpyro.sample("sigma", dist.FoldedDistribution(dist.StudentT(3.0, 0.0, 0.6)))
    pot = numpyro.sample("pots", dist.Normal().expand([pots]).to_event(1))
    heat = numpyro.sample("heat", dist.Normal(0.0, 2.0)) if cells["heat"].any() else 0.0
    misread = jax.nn.sigmoid(numpyro.sample("misread", dist.Normal(special.logit(0.02), 1.0)))
    above = cells["load"] - capacity[cells["blend"]] + sigma * pot[cells["pot"]]
    latent = above / spread[cells["blend"]] + heat * cells["heat"]
    log_below = NOISE[link][0](tau - latent[:, None])
    log_below = jnp.concatenate([log_below, jnp.zeros((len(latent), 1))], axis=1)
    first = jnp.exp(log_below[:, :1])
    rest = jnp.exp(log_below[:, 1:]) * -jnp.expm1(log_below[:, :-1] - log_below[:, 1:])
    shown = jnp.concatenate([first, rest], axis=1) @ read(misread)
    numpyro.factor("seen", jnp.sum(cells["counts"] * jnp.log(jnp.maximum(shown, 1e-300))))


def read(misread):
    """Chance (5, 5) that a grade (row) is recorded as another (column): half of the misread go up
    and half down, and those that would leave the scale stay."""
    move = 0.5 * misread * (jnp.eye(5, k=1) + jnp.eye(5, k=-1))
    return move + jnp.diag(1.0 - move.sum(axis=1))


def cells_of(looks):
    """Looks (one per piece and stress) as counts, and the blends in their order."""
    blends = list(dict.fromkeys(looks["blend"]))
    keys = ["blend", "pot", "load_pct", "stress"]
    table = looks.groupby(keys)["grade"].value_counts().unstack(fill_value=0)
    counts = table.reindex(columns=range(5), fill_value=0).to_numpy(float)
    rows = table.index.to_frame(index=False)
    return {
        "load": rows["load_pct"].to_numpy(float),
        "blend": rows["blend"].map(blends.index).to_numpy(int),
        "pot": rows.groupby(["blend", "pot"]).ngroup().to_numpy(int),
        "heat": (rows["stress"] == "heat").to_numpy(float),
        "counts": counts,
    }, blends


def loads_at_risk(found, link, heated):
    """The loads at risk (chains, draws, B) of a new pot, by a table of the latent distance."""
    sd = np.asarray(found["sigma"])[..., None] / np.asarray(found["spread"])
    z = np.linspace(-9.0, 9.0, 2001)
    weight = stats.norm.pdf(z) / stats.norm.pdf(z).sum()
    over = NOISE[link][1]

    def distance(one):
        return optimize.brentq(
            lambda m: weight @ over(np.clip(-m - one * z, -400, 400)) - RISK,
            -40.0 * (1 + one), 40.0 * (1 + one), xtol=1e-10)

    grid = np.linspace(0.0, np.arcsinh(sd.max()) + 1e-6, 300)
    away = np.interp(np.arcsinh(sd), grid, [distance(s) for s in np.sinh(grid)])
    latent = np.asarray(found["tau"])[..., 1] - (np.asarray(found["heat"]) if heated else 0.0)
    return np.asarray(found["capacity"]) + np.asarray(found["spread"]) * (latent[..., None] + away)


def reference_draws(looks, link, *, chains=24, draws=800, seconds=150.0, seed=1):
    """Loads at risk (chains, draws, B), largest split R-hat, and the share of divergences.

    All chains run side by side, ``draws`` at a time, until split R-hat is under 1.01 and the 5 %
    points are known to 0.015 points of load, or ``seconds`` are over.
    """
    cells, blends = cells_of(looks)
    kernel = NUTS(model, dense_mass=True, target_accept_prob=0.92, max_tree_depth=7,
                  init_strategy=init_to_median)
    sampler = MCMC(kernel, num_warmup=draws, num_samples=draws, num_chains=chains,
                   chain_method="vectorized", progress_bar=False)
    began, parts, diverged, key = time.monotonic(), [], 0, jax.random.key(seed)
    while True:
        sampler.run(key, cells, np.full(len(blends), LIMIT), link, extra_fields=("diverging",))
        parts.append(jax.device_get(sampler.get_samples(group_by_chain=True)))
        diverged += int(np.sum(sampler.get_extra_fields()["diverging"]))
        found = {k: np.concatenate([p[k] for p in parts], axis=1) for k in parts[0]}
        at_risk = loads_at_risk(found, link, cells["heat"].any())
        free = [v for k, v in found.items() if k != "tau"]  # its first is fixed; the gaps are there
        r_hat = max(float(np.max(split_gelman_rubin(v))) for v in [*free, at_risk])
        over = time.monotonic() - began > seconds
        if over or (r_hat < 1.01 and _worst_error(at_risk) < 0.015):
            return at_risk, r_hat, diverged / at_risk[..., 0].size
        sampler.post_warmup_state = sampler.last_state
        key = sampler.last_state.rng_key


def point_error(values, chance):
    """Quantile of chains (chains, draws) and its error, by the effective size of the share."""
    point = np.quantile(values, chance)
    size = float(effective_sample_size((values < point).astype(float)))
    error = np.sqrt(chance * (1 - chance) / size)
    low, high = np.quantile(values, (max(chance - 0.01, 0.001), chance + 0.01))
    return float(point), float(error * (high - low) / 0.02)


def _worst_error(at_risk):
    return max(point_error(at_risk[..., b], 0.05)[1] for b in range(at_risk.shape[-1]))


def compare(looks, link="logit", seed=1, **options):
    """Rows (dict) of both samplers' points, one per blend and chance."""
    began = time.monotonic()
    at_risk, r_hat, diverged = reference_draws(looks, link, seed=seed, **options)
    blends = list(dict.fromkeys(looks["blend"]))
    middle = time.monotonic()
    limits = dict.fromkeys(blends, LIMIT)
    fit = fit_sweat(looks, limits, links=[link], draws=KIT_DRAWS, precise=None, seed=seed)
    ours = dict(zip(fit.blends, load_at_risk_draws(fit, RISK, 2).T, strict=True))
    rows = []
    for b, blend in enumerate(blends):
        tested = looks.loc[looks["blend"] == blend, "load_pct"]
        for chance in CHANCES:
            theirs, their_error = point_error(at_risk[..., b], chance)
            own = float(weighted_quantile(ours[blend], fit.weights, chance))
            own_error = quantile_error(ours[blend], fit.weights, fit.draw_lot, chance)
            rows.append({
                "blend": blend, "chance": chance, "reference": theirs, "kit": own,
                "reference_error": their_error, "kit_error": own_error, "difference": own - theirs,
                "error": float(np.hypot(their_error, own_error)),
                "tested": bool(tested.min() <= theirs <= tested.max()),
                "r_hat": r_hat, "diverged": diverged, "k_hat": fit.k_hat,
                "effective": fit.effective_size, "draws": len(fit.weights),
                "seconds": middle - began, "kit_seconds": time.monotonic() - middle,
            })
    return rows


# name: blends, loads, pots, pieces at room temperature, heated pieces, changes of the truth
LAYOUTS = {
    "tiny": (1, (7.0, 10.0, 13.0), 1, 2, 0, {}),
    "tiny, heated": (2, (8.0, 11.0), 2, 1, 2, {}),
    "standard": (3, tuple(6.5 + 1.5 * i for i in range(6)), 2, 4, 0, {}),
    "standard, heated": (3, tuple(6.5 + 1.5 * i for i in range(6)), 2, 4, 2, {}),
    "8 blends": (8, (6.5, 9.0, 11.5, 14.0), 1, 4, 0, {}),
    "rest only, unlike pots": (3, (7.0, 9.0, 11.0, 13.0), 2, 3, 0, {"pot_sd": 1.5}),
    "nearly separated": (2, (7.0, 9.0, 11.0, 13.0), 2, 3, 0, {"spread": 0.12, "pot_sd": 0.2}),
}


def looks_of(name, seed):
    """Sweat looks of the demonstration series or of a simulated one."""
    if name == "demo":
        with tempfile.TemporaryDirectory() as folder:
            return read_series(make_demo_series(Path(folder) / "demo")).sweat()
    number, loads, pots, rest, heat, changes = LAYOUTS[name]
    capacity = np.random.default_rng(seed).uniform(8.0, 13.0, number)
    truth = Truth({f"blend {i}": BlendTruth(c) for i, c in enumerate(capacity)}, **changes)
    layout = even_layout(list(truth.blends), loads, pots=pots, sweat=rest, sweat_heat=heat)
    return simulate_series(layout, truth, seed).sweat()


HEADINGS = (
    "| series | blend | point | reference | kit | difference | joint error | split R-hat | k-hat |"
    " |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)


def line(name, row):
    far = abs(row["difference"]) > max(0.05, 2.0 * row["error"])
    apart = abs(row["difference"]) > 0.05 + 2.0 * row["error"]
    return (
        f"| {name} | {row['blend']} | {100 * row['chance']:.0f} % | {row['reference']:.2f} "
        f"| {row['kit']:.2f} | {row['difference']:+.3f} | {row['error']:.3f} "
        f"| {row['r_hat']:.4f} | {row['k_hat']:.2f} | {'apart' * apart or 'far' * far}"
        f"{'' if row['tested'] else ' outside the tested loads'} |"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=4, help="simulated series per layout")
    parser.add_argument("--first", type=int, default=1, help="seed of the first")
    parser.add_argument("--layout", choices=["demo", *LAYOUTS], action="append")
    parser.add_argument("--link", choices=list(NOISE), default="logit")
    parser.add_argument("--minutes", type=float, default=600.0, help="start none after so many")
    parser.add_argument("--out", default="reference", help="folder for the finished series")
    asked = parser.parse_args()
    folder, began = Path(asked.out), time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    print(HEADINGS, flush=True)
    names = asked.layout or ["demo", *LAYOUTS]
    todo = [(name, asked.first + i) for i in range(asked.series) for name in names]
    for name, seed in todo:
        if name == "demo" and seed > asked.first:
            continue
        kept = folder / f"{asked.link}-{name.replace(' ', '-').replace(',', '')}-{seed}.json"
        if not kept.exists():
            if time.monotonic() - began > 60.0 * asked.minutes:
                continue
            kept.write_text(json.dumps(compare(looks_of(name, seed), asked.link, seed)))
        for row in json.loads(kept.read_text()):
            print(line(f"{name} {seed}", row), flush=True)


if __name__ == "__main__":
    main()
