"""Compares the plan's numbers with scipy's: binomial, negative binomial, beta-binomial, Wilson.

Usage: plans.py TOUCHMARK
"""

import json
import subprocess
import sys

from scipy.stats import betabinom, binom, binomtest, nbinom

TOUCHMARK = sys.argv[1]
WRONG = []


def plan(*typed):
    done = subprocess.run([TOUCHMARK, "--json", "plan", *map(str, typed)], capture_output=True, check=True)
    return json.loads(done.stdout)


def expect(case, got, wanted, relative=0.0):
    if abs(float(got) - float(wanted)) > relative * abs(wanted):
        WRONG.append(f"{case}: {got} is not {wanted}")


# Good units, yield, confidence: the everyday ones, and the edges.
for good, share, confidence in [
    (50_000, 0.985, 0.95),
    (1, 0.5, 0.95),
    (1, 0.999999, 0.95),
    (1, 0.0001, 0.99),
    (17, 0.03, 0.05),
    (100, 1.0, 0.999),
    (1_000, 0.9, 0.999999999),
    (250_000, 0.9975, 0.5),
    (10_000_000, 0.985, 0.95),
    (10_000_000, 0.999999, 0.999),
    (10_000_000, 0.5, 0.999),
    (10_000_000, 0.05, 0.99),
]:
    case = f"{good} at {share}, {confidence}"
    told = plan("--good", good, "--yield", share, "--confidence", confidence)
    chips = told["chips"]
    if share < 1:
        # Chips until the good-th good one: scipy counts the bad ones before it.
        expect(f"{case}, negative binomial", chips, good + int(nbinom.ppf(confidence, good, share)))
    expect(f"{case}, enough", binom.sf(good - 1, chips, share) >= confidence, True)
    if chips > good:
        expect(f"{case}, one less", binom.sf(good - 1, chips - 1, share) < confidence, True)
    # scipy's own tails lose digits at ten million; 1e-9 is what it keeps.
    expect(f"{case}, probability", told["probability"], binom.sf(good - 1, chips, share), 1e-9)
    expect(f"{case}, one less", told["probability_with_one_less"], binom.sf(good - 1, chips - 1, share), 1e-9)

# A past from which the yield is learned: posterior Beta(good + 1/2, lost + 1/2).
for good, past_good, past_lost, confidence in [
    (500, 985, 15, 0.95),
    (2_000, 300, 0, 0.99),
    (100, 40, 10, 0.5),
    (5_000, 49_000, 700, 0.95),
]:
    case = f"{good} from {past_good}/{past_lost}, {confidence}"
    told = plan("--good", good, "--past-good", past_good, "--past-lost", past_lost, "--confidence", confidence)
    a, b, chips = past_good + 0.5, past_lost + 0.5, told["chips"]
    expect(f"{case}, enough", betabinom.sf(good - 1, chips, a, b) >= confidence, True)
    expect(f"{case}, one less", betabinom.sf(good - 1, chips - 1, a, b) < confidence, True)
    expect(f"{case}, probability", told["probability"], betabinom.sf(good - 1, chips, a, b), 1e-8)
    wilson = binomtest(past_good, past_good + past_lost).proportion_ci(0.95, method="wilson")
    expect(f"{case}, Wilson low", told["past"]["interval"]["low"], wilson.low, 1e-9)
    expect(f"{case}, Wilson high", told["past"]["interval"]["high"], wilson.high, 1e-9)

for wrong in WRONG:
    print(wrong)
print("all agree" if not WRONG else f"{len(WRONG)} differ")
sys.exit(1 if WRONG else 0)
