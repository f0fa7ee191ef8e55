// One lip at any shift of the seal. The formulas and words are those of bandscan/lip_odds.py,
// normal.py, report/words.py and output/landing_words.py; a test compares the two.
"use strict";

const shiftFormulas = (data) => {
  // Complementary error function, both parts for x >= 0: Abramowitz & Stegun 7.1.6 (all terms
  // positive) and 7.1.14 (continued fraction).
  function erfcOfPositive(x) {
    if (x < 2.5) {
      let term = x, sum = x;
      for (let n = 1; term > 1e-17 * sum; n += 1) {
        term *= 2 * x * x / (2 * n + 1);
        sum += term;
      }
      return 1 - 2 / Math.sqrt(Math.PI) * Math.exp(-x * x) * sum;
    }
    let tail = x;
    for (let n = 120; n >= 1; n -= 1) {
      tail = x + n / 2 / tail;
    }
    return Math.exp(-x * x) / Math.sqrt(Math.PI) / tail;
  }

  function erfc(x) {
    return x < 0 ? 2 - erfcOfPositive(-x) : erfcOfPositive(x);
  }

  function below(z) {
    return 0.5 * erfc(-z / Math.SQRT2);
  }

  function bothBelow(h, k, rho) {
    if (Math.max(h, k) > data.far || Math.min(h, k) < -data.far) {
      return below(Math.min(h, k));
    }
    if (rho >= 1) {
      return below(Math.min(h, k));
    }
    if (rho <= -1) {
      return Math.max(0, below(h) + below(k) - 1);
    }
    const half = Math.asin(rho) / 2;
    let sum = 0;
    data.nodes.forEach((node, i) => {
      const angle = half * (1 + node);
      const exponent = (h * h + k * k - 2 * h * k * Math.sin(angle))
        / (2 * Math.cos(angle) ** 2);
      sum += data.weights[i] * Math.exp(-exponent);
    });
    return Math.min(1, Math.max(0, below(h) * below(k) + half * sum / (2 * Math.PI)));
  }

  function inside(room, shift) {
    const [low, high, lowU, highU, rho] = room.map((n) => (n === null ? Infinity : n));
    return bothBelow((low + shift) / lowU, (high - shift) / highU, rho);
  }

  function nearest(lip, shift) {
    let best = null;
    lip.gaps_mm.forEach(([before, after], i) => {
      const ahead = before.value - shift, behind = after.value + shift;
      const gap = ahead >= behind ? before : after;
      const value = Math.max(ahead, behind);
      if (best === null || value < best.value) {
        best = { band: i + 1, value, margin: gap.margin, decimals: gap.decimals };
      }
    });
    return best;
  }

  function verdictOf(fresh, onBand, offLand) {
    if (offLand >= data.conformance) {
      return "off land";
    }
    if (onBand >= data.conformance) {
      return "on band";
    }
    return fresh >= data.conformance ? "fresh" : "undecided";
  }

  function at(lip, shift) {
    const fresh = Math.max(...lip.free.map((room) => inside(room, shift)));
    const oneOf = (rooms) => Math.min(1, rooms.reduce((sum, r) => sum + inside(r, shift), 0));
    const clear = oneOf(lip.between_bands);
    return {
      name: lip.name,
      contact: lip.contact_mm.map((end) => end + shift),
      clearance: nearest(lip, shift),
      odds: 1 - clear,
      verdict: verdictOf(fresh, 1 - clear, 1 - oneOf(lip.on_land)),
    };
  }

  // A number with so many decimals, halves to even: what the program prints.
  function fixed(value, decimals) {
    const text = value.toFixed(decimals);
    const digits = Math.abs(value).toFixed(Math.min(100, decimals + 40));
    if (!/^50*$/.test(digits.slice(digits.indexOf(".") + 1 + decimals))) {
      return text;
    }
    const down = digits.slice(0, digits.indexOf(".") + (decimals ? 1 + decimals : 0));
    const even = "02468".includes(down[down.length - 1]);
    return even ? (value < 0 ? "-" : "") + down : text;
  }

  function clearanceWords(clearance) {
    if (clearance === null) {
      return "no band was found";
    }
    const number = `${fixed(Math.abs(clearance.value), clearance.decimals)} ± ${clearance.margin}`;
    return clearance.value >= 0
      ? `${number} mm clear of band ${clearance.band}`
      : `overlaps band ${clearance.band}: ${number} mm of shift would part them`;
  }

  function oddsWords(odds) {
    if (odds < 0.01) {
      return "less than 1 in 100";
    }
    return odds > 0.99 ? "more than 99 in 100" : `${fixed(100 * odds, 0)} in 100`;
  }

  function contactWords(contact) {
    return `${fixed(contact[0], 2)} to ${fixed(contact[1], 2)} mm`;
  }

  function shiftWords(shift) {
    if (shift === 0) {
      return "as planned";
    }
    const way = shift < 0 ? "toward the shaft end" : "further into the machine";
    return `${fixed(Math.abs(shift), 2)} mm ${way}`;
  }

  function verdictWords(lips) {
    if (lips.every((lip) => lip.verdict === "fresh")) {
      return "Every lip on fresh metal";
    }
    return lips.map((lip) => `${lip.name}: ${lip.verdict}`).join("; ");
  }

  return {
    erfc, bothBelow, fixed, at, clearanceWords, oddsWords, contactWords, shiftWords,
    verdictWords,
  };
};
