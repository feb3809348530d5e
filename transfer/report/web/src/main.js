// The controls around the 3D view. All text from files enters the page as text
// (textContent), never as markup.
import { Vector3 } from 'three';
import { unpack, row, confidenceOf, differenceOf, distanceOf } from './payload.js';
import { Pose, matrixOf } from './pose.js';
import { View, mapColour } from './scene.js';

const $ = (id) => document.getElementById(id);
const data = JSON.parse($('data').textContent);

function option(select, value, text) {
  const o = document.createElement('option');
  o.value = value;
  o.textContent = text;
  select.append(o);
}

const jointName = (j) => data.joints[j].name || `joint ${j}`;
const degrees = (x) => `${Math.round((x * 180) / Math.PI)}°`;

async function start() {
  const began = performance.now();
  const figures = [];
  for (const [i, shape] of data.figures.entries()) {
    if (!shape.leftOut) figures.push(Object.assign(await unpack(shape, $(`figure-${i}`).textContent), { index: i }));
  }
  const pose = new Pose(data.joints);
  for (const f of figures) {
    if (f.shape.frames) {
      f.frames = data.joints.map(() => null);
      for (const { joint, matrix } of f.shape.frames) f.frames[joint] = matrixOf(matrix);
    }
    f.rest = f.frames ? pose.points(f).slice() : f.position; // the default pose
  }
  $('stage').hidden = false;
  const view = new View($('canvas'), data, pose);
  for (const f of figures) view.add(f);
  view.resize();

  const everything = () => view.look(new Vector3(), data.size / 2, 0.25, 0.1);
  everything();

  // Layers.
  for (const f of figures) {
    if (!f.shape.vertices) continue; // no body
    const label = document.createElement('label'), box = document.createElement('input');
    box.type = 'checkbox';
    box.checked = true;
    box.id = `layer-${f.index}`;
    box.addEventListener('change', () => view.show(f, box.checked));
    label.append(box, ` ${f.shape.name}${f.shape.body ? ' (body)' : f.shape.beneath ? ' (worn beneath)' : ''}`);
    $('layers').append(label);
    option($('of'), f.index, f.shape.name);
  }
  $('of').value = (figures[1] ?? figures[0]).index;
  $('lines').addEventListener('change', (e) => view.setLines(e.target.checked));
  $('even').addEventListener('change', (e) => view.setEven(e.target.checked));

  // Colours.
  option($('reason'), 'any', 'any reason');
  data.reasons.forEach((r, k) => option($('reason'), k, r));
  const weighted = [...new Set(figures.flatMap((f) => f.shape.joints ?? []))].sort((a, b) => a - b);
  for (const j of weighted) option($('weight'), j, jointName(j));
  const known = (what) => figures.some((f) => !f.shape.body && !f.shape.beneath && f.shape[what]);
  for (const [value, what] of [['confidence', 'confidence'], ['reason', 'reason'], ['distance', 'match'], ['difference', 'difference']]) {
    if (!known(what)) $('colour').querySelector(`[value=${value}]`).disabled = true;
  }
  if (!known('confidence')) $('colour').value = 'plain';
  if (data.changes && known('difference')) $('colour').value = 'difference';
  const most = Math.max(0.01, data.most);
  const far = Math.max(1e-3, ...figures.map((f) => f.shape.far));
  function recolour() {
    const by = $('colour').value;
    $('reason-line').hidden = by !== 'reason';
    $('weight-line').hidden = by !== 'weight';
    const bit = $('reason').value === 'any' ? 0xffff : 1 << Number($('reason').value);
    const joint = Number($('weight').value);
    for (const f of figures) {
      let value = null;
      if (by === 'weight' && f.sets) {
        value = (v) => row(f, v).reduce((sum, [j, w]) => (j === joint ? sum + w : sum), 0);
      } else if (by === 'confidence' && f.confidence) {
        value = (v) => (f.confidence[v] === 65535 ? -4 : f.confidence[v] / 65534);
      } else if (by === 'reason' && f.reason) {
        value = (v) => (f.reason[v] & bit ? 1 : 0);
      } else if (by === 'distance' && f.distance) {
        value = (v) => {
          const d = distanceOf(f, v);
          return Number.isFinite(d) ? d / far : -4;
        };
      } else if (by === 'difference' && f.difference) {
        value = (v) => {
          const d = differenceOf(f, v);
          return Number.isNaN(d) ? -4 : d / most;
        };
      }
      view.colour(f, value);
    }
    const nodes = data.maps[$('map').value];
    const ends = {
      confidence: ['Confidence', '0, to be looked at', '1, sure'],
      reason: [`Reason: ${$('reason').selectedOptions[0].textContent}`, 'not so', 'so'],
      distance: ['Distance to the body', '0 cm', `${(100 * far).toFixed(1)} cm and more`],
      difference: ['L1 difference of rows to the last pass', '0, the same', most.toFixed(2)],
      weight: [`Weight of ${weighted.length ? jointName(joint) : 'no joint'}`, '0', '1'],
    }[by];
    $('legend').hidden = !ends;
    if (!ends) return;
    [$('legend-title').textContent, $('legend-low').textContent, $('legend-high').textContent] = ends;
    const bar = $('legend-bar'), pen = bar.getContext('2d');
    for (let x = 0; x < bar.width; x++) {
      pen.fillStyle = `rgb(${mapColour(nodes, x / (bar.width - 1)).join()})`;
      pen.fillRect(x, 0, 1, bar.height);
    }
  }
  for (const id of ['colour', 'reason', 'weight']) $(id).addEventListener('change', recolour);
  $('map').addEventListener('change', () => {
    view.setMap($('map').value);
    recolour();
  });
  recolour();

  // Pose. A joint is listed where it or one below it has weight.
  const moves = data.joints.map(() => false);
  for (const w of weighted) {
    for (let j = w, steps = 0; j >= 0 && !moves[j] && steps <= moves.length; j = data.joints[j].parent, steps++) moves[j] = true;
  }
  moves.forEach((m, j) => m && option($('joint'), j, jointName(j)));
  const sliders = [0, 1, 2].map((k) => $(`turn-${k}`));
  // What the sliders change: their ends, and a slider's step in the pose's own unit.
  const kinds = {
    rotation: { ends: [-120, 120], unit: Math.PI / 180, neutral: 0, way: 'about', text: degrees, verb: '' },
    translation: { ends: [-100, 100], unit: data.size / 1000, neutral: 0, way: 'along', text: (x) => `${(100 * x).toFixed(1)} cm`, verb: 'moved ' },
    scale: { ends: [50, 200], unit: 0.01, neutral: 1, way: 'along', text: (x) => x.toFixed(2), verb: 'scaled ' },
  };
  const doing = (j) => Object.entries(kinds).map(([what, { neutral, text, verb }]) => {
    const parts = pose.own[j][what].map((x, k) => (x === neutral ? '' : `${'xyz'[k]} ${text(x)}`)).filter(Boolean);
    return parts.length ? verb + parts.join(' ') : '';
  }).concat(pose.own[j].matrix ? 'sheared' : '').filter(Boolean).join(', ');
  function showPose() {
    const j = Number($('joint').value), what = $('change').value, kind = kinds[what];
    sliders.forEach((s, k) => {
      s.disabled = $('joint').value === '';
      [s.min, s.max] = kind.ends;
      const x = s.disabled ? kind.neutral : pose.own[j][what][k];
      s.value = Math.round(x / kind.unit);
      s.nextElementSibling.textContent = kind.text(x);
      s.setAttribute('aria-valuetext', kind.text(x));
      s.previousElementSibling.textContent = `${kind.way} its ${'xyz'[k]}`;
    });
    const list = data.joints.flatMap((_, i) => (pose.changed(i) ? [`${jointName(i)} ${doing(i)}`] : []));
    $('turned').textContent = list.length ? `Changed: ${list.join('; ')}.` : 'In the default pose.';
  }
  sliders.forEach((s, k) => s.addEventListener('input', () => {
    const what = $('change').value;
    pose.set(Number($('joint').value), what, k, Number(s.value) * kinds[what].unit);
    view.posed();
    showPose();
  }));
  $('change').addEventListener('change', showPose);
  $('joint').addEventListener('change', showPose);
  $('rest').addEventListener('click', () => {
    pose.reset();
    view.posed();
    showPose();
  });
  pose.update();
  view.posed();
  showPose();

  // Reading a vertex.
  function read(f, v) {
    view.select(f, v);
    $('of').value = f.index;
    $('number').value = v;
    const list = document.createElement('dl');
    const fact = (term, text) => {
      const dt = document.createElement('dt'), dd = document.createElement('dd');
      dt.textContent = term;
      dd.textContent = text;
      list.append(dt, dd);
    };
    fact('vertex', `${v} of ${f.shape.name}`);
    const p = [0, 1, 2].map((k) => (f.rest[3 * v + k] + data.centre[k]).toFixed(4));
    fact('default pose', `${p.join(', ')} m`);
    const r = row(f, v);
    fact('row', r.length ? r.map(([j, w]) => `${jointName(j)} ${w.toFixed(4)}`).join(', ') : 'empty: it stays where it is');
    if (f.confidence) {
      const c = confidenceOf(f, v);
      fact('confidence', Number.isNaN(c) ? 'not known' : `${c.toFixed(3)}${c < data.low ? ', low' : ''}`);
    }
    if (f.reason) {
      const set = data.reasons.filter((_, k) => f.reason[v] & (1 << k));
      fact('reasons', set.length ? set.join(', ') : 'none');
    }
    if (f.difference) {
      const d = differenceOf(f, v);
      fact('last pass', Number.isNaN(d) ? 'not known' : `L1 difference ${d.toFixed(4)}`);
    }
    if (f.match) {
      const d = distanceOf(f, v);
      fact('distance', Number.isFinite(d) ? `${(100 * d).toFixed(2)} cm` : 'none');
      if (f.match[v]) {
        const a = f.bary[0][v] / 255, b = f.bary[1][v] / 255;
        const at = [a, b, Math.max(0, 1 - a - b)].map((x) => x.toFixed(2)).join(', ');
        fact(f.shape.nearest ? 'nearest on the body' : 'match', `triangle ${f.match[v] - 1} at ${at}`);
      } else {
        fact('match', 'none');
      }
    }
    $('facts').replaceChildren(list);
  }
  function pick(x, y) {
    const hit = view.pick(x, y);
    if (hit) {
      read(hit.f, hit.v);
    } else {
      view.select(null);
      $('facts').textContent = 'No vertex there.';
    }
  }
  const byIndex = (i) => figures.find((f) => f.index === Number(i));
  function readNumber() {
    const f = byIndex($('of').value);
    const v = Math.trunc(Number($('number').value));
    if (v >= 0 && v < f.shape.vertices) read(f, v);
    else $('facts').textContent = `${f.shape.name} has vertices 0 to ${f.shape.vertices - 1}.`;
  }
  $('read').addEventListener('click', readNumber);
  $('number').addEventListener('change', readNumber);
  $('controls').addEventListener('submit', (e) => e.preventDefault());

  // Pointer and keyboard in the picture.
  const canvas = $('canvas');
  let down = null;
  canvas.addEventListener('pointerdown', (e) => { down = e.isPrimary && e.button === 0 ? [e.offsetX, e.offsetY] : null; });
  canvas.addEventListener('pointerup', (e) => {
    // A drag turns; only what stays in place is a click.
    if (down && Math.hypot(e.offsetX - down[0], e.offsetY - down[1]) < 5) pick(e.offsetX, e.offsetY);
    down = null;
  });
  canvas.addEventListener('keydown', (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[e.key];
    if (step && e.shiftKey) view.shift(0.1 * step[0], 0.1 * step[1]);
    else if (step) view.turn(0.15 * step[0], 0.15 * step[1]);
    else if (e.key === '+' || e.key === '=') view.approach(0.8);
    else if (e.key === '-') view.approach(1.25);
    else if (e.key === '0') everything();
    else if (e.key === 'Enter') pick(canvas.clientWidth / 2, canvas.clientHeight / 2);
    else return;
    e.preventDefault();
  });

  // Places and poses: one click shows the garment, reads the vertex and goes there.
  function goTo(f, p, centre) {
    $(`layer-${f.index}`).checked = true;
    view.show(f, true);
    read(f, p.vertex);
    view.look(centre, 2 * p.half, p.azimuth, p.elevation);
    canvas.focus();
    canvas.scrollIntoView({ block: 'center' });
  }
  function offer(buttons, list, key, go) {
    for (const b of document.querySelectorAll(buttons)) {
      const p = list[Number(b.dataset[key])], f = p && byIndex(p.figure);
      b.disabled = !f;
      if (f) b.addEventListener('click', () => go(f, p));
    }
  }
  offer('.visit', data.places, 'place', (f, p) => {
    if (f.confidence) {
      $('colour').value = 'confidence';
      recolour();
    }
    // Where the pose has carried the place.
    const moved = pose.point(f, p.vertex).sub(new Vector3().fromArray(f.rest, 3 * p.vertex));
    goTo(f, p, moved.add(new Vector3(...p.centre)));
  });
  // Edits and conflicts: in the colours of their reason.
  function byReason(name) {
    $('colour').value = 'reason';
    $('reason').value = data.reasons.indexOf(name);
    recolour();
  }
  for (const [buttons, list, key, name] of [['.edited', data.edits, 'edits', 'kept edit'], ['.contest', data.conflicts, 'conflict', 'edit in conflict']]) {
    offer(buttons, list, key, (f, p) => {
      if (f.reason) byReason(name);
      const moved = pose.point(f, p.vertex).sub(new Vector3().fromArray(f.rest, 3 * p.vertex));
      goTo(f, p, moved.add(new Vector3(...p.centre)));
    });
  }
  offer('.strike', data.poses, 'pose', (f, p) => {
    pose.take(p.changes);
    view.posed();
    const first = p.changes[0];
    if (first) {
      // A joint that carries no weight, nor any below it, is not in the list.
      if ([...$('joint').options].some((o) => Number(o.value) === first.joint)) $('joint').value = first.joint;
      $('change').value = ['rotation', 'translation', 'scale'].find((what) => first[what].some((x) => x !== kinds[what].neutral)) ?? 'rotation';
    }
    showPose();
    goTo(f, p, new Vector3(...p.centre));
  });

  view.render();
  $('status').textContent = '';
  // What the tests ask for.
  globalThis.reportProbe = {
    milliseconds: performance.now() - began,
    sinceOpened: performance.now(),
    readBack: (i, v) => {
      const all = view.readBack(byIndex(i));
      return v.map((k) => Array.from(all.subarray(4 * k, 4 * k + 3)));
    },
    screen: (i, v) => view.screen(byIndex(i), v),
    look: (i, v, radius, azimuth, elevation) => view.look(pose.point(byIndex(i), v), radius, azimuth, elevation),
    pick: (x, y) => {
      const hit = view.pick(x, y);
      return hit && [hit.f.index, hit.v];
    },
    frameTime: (n) => view.settled().then(() => view.frameTime(n)),
    settled: () => view.settled(),
    rest: () => view.settle(),
    force: (slow) => { view.slow = slow; },
    moving: () => view.renderMoving(),
    finish: () => view.finish(),
    // drawn: frames so far, whether fewer triangles are drawn while moving, and how many
    // triangles the last frame had.
    drawn: () => ({ frames: view.frames, slow: view.slow, coarse: !!view.coarse, triangles: view.renderer.info.render.triangles }),
  };
}

start().catch((error) => {
  $('stage').hidden = true;
  $('status').textContent = `The 3D view cannot be shown (${error.message}). All above stands without it.`;
  console.error(error);
});
