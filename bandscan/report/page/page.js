// The page comes to life: the seal slides, layers follow, edges can be corrected.
"use strict";

(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const one = (selector) => document.querySelector(selector);
  const all = (selector) => [...document.querySelectorAll(selector)];
  const clamp = (value, low, high) => Math.min(high, Math.max(low, value));

  all(".needs-script").forEach((part) => { part.hidden = false; });

  // Long parts are closed on a screen, and open on paper.
  const folded = all("details.fold");
  folded.forEach((part) => { part.open = false; });
  let wereOpen = [];
  window.addEventListener("beforeprint", () => {
    wereOpen = folded.filter((part) => part.open);
    folded.forEach((part) => { part.open = true; });
  });
  window.addEventListener("afterprint", () => {
    folded.forEach((part) => { part.open = wereOpen.includes(part); });
  });

  // -- points of the surface on the photo: calib/camera.py, cylinder.py, output/overlay.py ----
  const view = data.geometry && photoGeometry(data.geometry);

  function photoGeometry(g) {
    const d = g.direction, f = g.facing;
    const across = [
      d[1] * f[2] - d[2] * f[1], d[2] * f[0] - d[0] * f[2], d[0] * f[1] - d[1] * f[0],
    ];
    const stored = (axial, angle, radius) => {
      const c = Math.cos(angle) * radius, s = Math.sin(angle) * radius;
      const [X, Y, Z] = [0, 1, 2].map((i) => g.origin_mm[i] + axial * d[i] + c * f[i]
        + s * across[i]);
      const [k1, k2, p1, p2, k3] = g.distortion;
      const x = X / Z, y = Y / Z, r2 = x * x + y * y;
      const radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
      return [
        (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) * g.fx_px + g.cx_px,
        (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) * g.fy_px + g.cy_px,
      ];
    };
    const turned = ([x, y]) => {
      const right = g.width_px - 1 - x, bottom = g.height_px - 1 - y;
      return [
        [x, y], [right, y], [right, bottom], [x, bottom],
        [y, x], [bottom, x], [bottom, right], [y, right],
      ][g.orientation - 1];
    };
    const shown = (axial, angle, radius = g.radius_mm) => turned(stored(axial, angle, radius))
      .map((value) => (value + 0.5) * g.scale);
    const [low, high] = g.arc_rad, points = 25;
    const angles = Array.from({ length: points }, (_, i) => low + (high - low) * i / (points - 1));
    const meanCos = (Math.sin(high) - Math.sin(low)) / (high - low);
    const meanSin = (Math.cos(low) - Math.cos(high)) / (high - low);
    const curve = (axial, [c, s] = [0, 0], radius = g.radius_mm) => angles.map((a) => shown(
      axial + c * (Math.cos(a) - meanCos) + s * (Math.sin(a) - meanSin), a, radius));
    // Axial place whose point on the facing line lies beside a point of the picture.
    const axialAt = (point, start) => {
      let axial = start;
      for (let i = 0; i < 8; i += 1) {
        const here = shown(axial, 0), next = shown(axial + 0.1, 0);
        const t = [next[0] - here[0], next[1] - here[1]];
        const along = (point[0] - here[0]) * t[0] + (point[1] - here[1]) * t[1];
        axial += 0.1 * along / (t[0] * t[0] + t[1] * t[1]);
      }
      return axial;
    };
    return { stored, shown, curve, axialAt };
  }

  const path = (points, closed = false) => "M"
    + points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join("L") + (closed ? "Z" : "");

  // -- the seal ------------------------------------------------------------------------------
  if (data.live) {
    slideSeal();
  }

  function slideSeal() {
    const formulas = shiftFormulas(data.live);
    const slider = one("#shift"), told = one("#told"), drawing = one("#side");
    const [roomLow, roomHigh] = data.live.room_mm;
    const words = { fresh: "fresh", "on band": "band", undecided: "open", "off land": "off" };
    const marks = { fresh: "✓", "on band": "✗", undecided: "?", "off land": "✗" };
    let telling = 0;

    function show() {
      const shift = Number(slider.value);
      const lips = data.live.lips.map((lip) => formulas.at(lip, shift));
      const where = formulas.shiftWords(shift);
      const beyond = shift < roomLow || shift > roomHigh;
      lips.forEach((lip, i) => showLip(lip, i));
      one("#where").textContent = where;
      one("#beyond").hidden = !beyond;
      slider.setAttribute("aria-valuetext", where);
      one("#seal").setAttribute("transform", `translate(${shift * data.per_mm} 0)`);
      all(".lip-bar").forEach((bar) => {
        bar.setAttribute("transform", `translate(${shift * data.per_mm} 0)`);
      });
      window.clearTimeout(telling);
      telling = window.setTimeout(() => {
        told.textContent = `Seal ${where}. ${formulas.verdictWords(lips)}.`
          + (beyond ? " Beyond the room to move." : "");
      }, 500);
    }

    function showLip(lip, i) {
      const row = one(`#lip-${i}`);
      row.className = `lip ${words[lip.verdict]}`;
      row.querySelector(".mark").textContent = marks[lip.verdict];
      row.querySelector(".verdict-word").textContent = lip.verdict;
      row.querySelector(".clearance").textContent = formulas.clearanceWords(lip.clearance);
      row.querySelector(".odds").textContent = formulas.oddsWords(lip.odds);
      row.querySelector(".contact").textContent = formulas.contactWords(lip.contact);
      one(`#bar-${i} .bar-word`).textContent = `${marks[lip.verdict]} ${lip.verdict}`;
      const ring = one(`#ring-${i}`);
      if (ring && view) {
        const [low, high] = lip.contact.map((axial) => view.curve(axial));
        ring.setAttribute("d", path([...low, ...high.reverse()], true));
      }
    }

    function move(shift) {
      const step = Number(slider.step);
      const steps = Math.round(clamp(shift, Number(slider.min), Number(slider.max)) / step);
      slider.value = (steps * step).toFixed(2);
      show();
    }

    slider.addEventListener("input", show);
    all("[data-step]").forEach((button) => button.addEventListener("click", () => {
      move(Number(slider.value) + Number(button.dataset.step));
    }));
    all("[data-shift]").forEach((button) => button.addEventListener("click", () => {
      move(Number(button.dataset.shift));
    }));
    let grip = null;
    const along = (event) => event.clientX * data.width / drawing.getBoundingClientRect().width;
    one("#seal").addEventListener("pointerdown", (event) => {
      grip = along(event) - Number(slider.value) * data.per_mm;
      event.currentTarget.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    one("#seal").addEventListener("pointermove", (event) => {
      if (grip !== null) {
        move((along(event) - grip) / data.per_mm);
      }
    });
    ["pointerup", "pointercancel"].forEach((name) => {
      one("#seal").addEventListener(name, () => { grip = null; });
    });
    window.bandscan = { formulas, lips: data.live.lips };
    show();
    told.textContent = "";
  }

  // -- corrections ---------------------------------------------------------------------------
  if (one("#correct")) {
    correctByHand();
  }

  function correctByHand() {
    const edges = all("[data-edge]");
    const endField = one("#end-move"), saved = one("#saved");
    const number = (field) => (field.value.trim() === "" ? NaN : Number(field.value));

    function placeOf(field) {
      const wobble = data.edges[field.dataset.edge];
      return { value: number(field), found: wobble.value_mm, wobble: wobble.wobble_mm };
    }

    function draw() {
      edges.forEach((field) => {
        const line = one(`#line-${field.dataset.edge}`), grip = one(`#grip-${field.dataset.edge}`);
        const { value, found, wobble } = placeOf(field);
        const changed = Number.isFinite(value) && value !== rounded(found);
        field.closest(".field").classList.toggle("changed", changed);
        if (line && view && Number.isFinite(value)) {
          line.setAttribute("d", changed ? path(view.curve(value, wobble)) : "");
          // Grips of the two edges stand apart across the shaft, so that a finger finds each.
          const [x, y] = view.shown(value, field.dataset.edge.endsWith("start") ? -0.5 : 0.5);
          grip.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
        }
      });
      const end = one("#line-end"), grip = one("#grip-end"), moved = number(endField);
      if (end && view && Number.isFinite(moved)) {
        const rim = data.geometry.rim_radius_mm;
        end.setAttribute("d", moved ? path(view.curve(moved, [0, 0], rim)) : "");
        const [x, y] = view.shown(moved, 0, rim);
        grip.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
      }
    }

    const rounded = (value) => Number(value.toFixed(2));

    function grab(grip, field) {
      let offset = null;
      const at = (event) => {
        const matrix = grip.parentNode.getScreenCTM().inverse();
        const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix);
        return view.axialAt([point.x, point.y], number(field) || 0);
      };
      grip.addEventListener("pointerdown", (event) => {
        offset = (number(field) || 0) - at(event);
        grip.setPointerCapture(event.pointerId);
        event.preventDefault();
      });
      grip.addEventListener("pointermove", (event) => {
        if (offset !== null) {
          field.value = (at(event) + offset).toFixed(2);
          draw();
        }
      });
      ["pointerup", "pointercancel"].forEach((name) => {
        grip.addEventListener(name, () => { offset = null; });
      });
    }

    function collect() {
      const moved = number(endField) || 0;
      const bands = [], none = [];
      data.bands.forEach(({ band, span_mm: span }) => {
        if (one(`#none-${band}`).checked) {
          none.push((span[0] + span[1]) / 2 - moved);
          return;
        }
        const places = ["start", "end"].map((side) => {
          const field = one(`[data-edge="${band}-${side}"]`);
          const { value, found } = placeOf(field);
          return { side, value, found, changed: value !== rounded(found) };
        });
        const set = places.filter((place) => place.changed);
        if (set.length > 0) {
          const [start, end] = places.map((p) => (p.changed ? p.value : p.found) - moved);
          bands.push({
            start_mm: start, end_mm: end, by_hand: set.map((place) => place.side),
            instead_of_mm: span.map((end_mm) => end_mm - moved),
          });
        }
      });
      const more = [number(one("#new-start")), number(one("#new-end"))];
      if (more.every(Number.isFinite)) {
        bands.push({ start_mm: more[0] - moved, end_mm: more[1] - moved,
          by_hand: ["start", "end"], instead_of_mm: null });
      }
      return {
        schema: "bandscan.corrections/1",
        photo: data.photo,
        by: one("#by").value.trim() || null,
        why: one("#why").value.trim() || null,
        when: new Date().toISOString(),
        hand_u_mm: data.hand_u_mm,
        end_px: moved && view ? view.stored(moved, 0, data.geometry.rim_radius_mm) : null,
        bands,
        no_bands_mm: none,
      };
    }

    function complaint(made) {
      if (made.bands.length + made.no_bands_mm.length === 0 && made.end_px === null) {
        return "Nothing was changed yet.";
      }
      const wrong = made.bands.some((b) => !(b.start_mm >= 0 && b.start_mm < b.end_mm));
      return wrong ? "A band must start at 0 mm or more and end beyond its start." : "";
    }

    one("#save").addEventListener("click", () => {
      const made = collect(), wrong = complaint(made);
      saved.textContent = wrong;
      if (wrong) {
        return;
      }
      const link = document.createElement("a");
      const text = `${JSON.stringify(made, null, 1)}\n`;
      link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
      link.download = data.corrections_file;
      link.click();
      saved.textContent = `Saved as ${data.corrections_file}. Lay it beside the photo and run: `
        + `${data.command} --corrections ${data.corrections_file}`;
    });
    one("#undo").addEventListener("click", () => {
      all("#correct input[type=checkbox]").forEach((box) => { box.checked = false; });
      edges.forEach((field) => { field.value = placeOf(field).found.toFixed(2); });
      endField.value = "0.00";
      one("#new-start").value = one("#new-end").value = "";
      saved.textContent = "";
      draw();
    });
    [...edges, endField].forEach((field) => field.addEventListener("input", draw));
    one("#correct").addEventListener("toggle", () => {
      one("#photo").classList.toggle("correcting", one("#correct").open);
    });
    if (view && one("#line-end")) {
      edges.forEach((field) => grab(one(`#grip-${field.dataset.edge}`), field));
      grab(one("#grip-end"), endField);
    }
    window.bandscanCorrections = collect;
    draw();
  }
})();
