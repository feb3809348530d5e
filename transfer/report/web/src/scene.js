// The picture: figures drawn with skinning on the graphics processor.
import {
  Bone, BufferAttribute, BufferGeometry, DataTexture, DoubleSide, FloatType, LinearFilter, Matrix4, NearestFilter,
  PerspectiveCamera, Points, RGBAFormat, Raycaster, Scene, ShaderMaterial, Skeleton, SkinnedMesh, Sphere, Spherical, Vector2,
  Vector3, WebGLRenderTarget, WebGLRenderer, Mesh,
} from 'three';
import { OrbitControls } from 'three/examples/jsm/controls/OrbitControls.js';

// Up to eight influences a vertex; what a row lacks to 1 stays in the default pose.
const vertexShader = `
#include <skinning_pars_vertex>
attribute vec4 rowJoint0, rowWeight0, rowJoint1, rowWeight1;
attribute float value;
varying float shade;
varying vec3 facing, toEye;
uniform ivec2 cells;
void main() {
  vec4 p = vec4(position, 1.0);
  vec3 n = normal;
#ifdef USE_SKINNING
  mat4 m = mat4(0.0);
  float sum = 0.0;
  for (int k = 0; k < 4; k++) {
    if (rowWeight0[k] > 0.0) { m += rowWeight0[k] * getBoneMatrix(rowJoint0[k]); sum += rowWeight0[k]; }
  }
#ifdef TWO_SETS
  for (int k = 0; k < 4; k++) {
    if (rowWeight1[k] > 0.0) { m += rowWeight1[k] * getBoneMatrix(rowJoint1[k]); sum += rowWeight1[k]; }
  }
#endif
  m += mat4(1.0 - sum);
  p = m * p;
  n = mat3(m) * n;
#endif
#ifdef READ_BACK
  facing = p.xyz;
  gl_PointSize = 1.0;
  gl_Position = vec4((vec2(gl_VertexID % cells.x, gl_VertexID / cells.x) + 0.5) / vec2(cells) * 2.0 - 1.0, 0.0, 1.0);
#else
  vec4 seen = modelViewMatrix * p;
  shade = value;
  facing = normalMatrix * n;
  toEye = -seen.xyz;
  gl_Position = projectionMatrix * seen;
#endif
}`;

const fragmentShader = `
uniform sampler2D map;
uniform vec3 plain, invalid;
uniform bool coloured, even;
varying float shade;
varying vec3 facing, toEye;
void main() {
#ifdef READ_BACK
  gl_FragColor = vec4(facing, 1.0);
#else
  vec3 c = plain;
  if (coloured) c = shade < -0.5 ? invalid : texture2D(map, vec2(clamp(shade, 0.0, 1.0) * 255.0 / 256.0 + 0.5 / 256.0, 0.5)).rgb;
  float light = even ? 1.0 : 0.4 + 0.6 * min(abs(dot(normalize(facing), normalize(toEye))), 1.0);
  gl_FragColor = vec4(c * light, 1.0);
#endif
}`;

// SkinnedPoints lets the same skinning write positions instead of a picture.
class SkinnedPoints extends Points {
  isSkinnedMesh = true;
  bindMatrix = new Matrix4();
  bindMatrixInverse = new Matrix4();
}

const unit = (c) => new Vector3(c[0] / 255, c[1] / 255, c[2] / 255);

// mapColour is the colour of t in [0, 1] in a map of evenly spaced nodes, 0..255.
export function mapColour(nodes, t) {
  const x = Math.min(Math.max(t, 0), 1) * (nodes.length - 1), i = Math.min(Math.floor(x), nodes.length - 2), f = x - i;
  return [0, 1, 2].map((k) => Math.floor((1 - f) * nodes[i][k] + f * nodes[i + 1][k] + 0.5));
}

// While something moves, frames are drawn at the screen's own resolution without
// smoothing of edges, and where that is slow with fewer triangles and no more than
// one sample a pixel of the page; a moment after it stops, one is drawn finer, with
// all triangles.
const stillAfter = 250; // milliseconds
const slowFrame = 30; // milliseconds, from which on fewer triangles are drawn
const coarseTriangles = 10000; // of all figures together; folds make up to twice as many
const stillRatio = () => Math.max(Math.min(devicePixelRatio, 2), 2);

// coarser returns triangles for a distant look at f: vertices that share a cell of a
// grid and face the same octant become one of them.
// Source: Rossignac and Borrel, "Multi-Resolution 3D Approximations for Rendering
// Complex Scenes", in Modeling in Computer Graphics, Springer 1993.
export function coarser(f, most) {
  const p = f.rest, t = f.triangle, n = f.shape.vertices;
  let area = 0;
  for (let i = 0; i < t.length; i += 3) {
    const a = 3 * t[i], b = 3 * t[i + 1], c = 3 * t[i + 2];
    const ex = p[b] - p[a], ey = p[b + 1] - p[a + 1], ez = p[b + 2] - p[a + 2];
    const gx = p[c] - p[a], gy = p[c + 1] - p[a + 1], gz = p[c + 2] - p[a + 2];
    area += Math.hypot(ey * gz - ez * gy, ez * gx - ex * gz, ex * gy - ey * gx) / 2;
  }
  const cell = Math.sqrt((2 * area) / most); // squares of that side make two triangles each
  if (!(cell > 0)) return t;
  const cells = new Map(), to = new Uint32Array(n);
  for (let v = 0; v < n; v++) {
    const at = [0, 1, 2].map((k) => Math.floor(p[3 * v + k] / cell) + 4096);
    const octant = (f.normal[4 * v] < 0 ? 1 : 0) | (f.normal[4 * v + 1] < 0 ? 2 : 0) | (f.normal[4 * v + 2] < 0 ? 4 : 0);
    const key = ((at[0] * 8192 + at[1]) * 8192 + at[2]) * 8 + octant;
    const first = cells.get(key);
    if (first === undefined) cells.set(key, v);
    to[v] = first ?? v;
  }
  const out = [];
  for (let i = 0; i < t.length; i += 3) {
    const a = to[t[i]], b = to[t[i + 1]], c = to[t[i + 2]];
    if (a !== b && b !== c && c !== a) out.push(a, b, c);
  }
  return new Uint32Array(out);
}

export class View {
  constructor(canvas, data, pose) {
    this.canvas = canvas;
    this.data = data;
    this.pose = pose;
    this.renderer = new WebGLRenderer({ canvas, antialias: false, preserveDrawingBuffer: false });
    this.ratio = { value: 1 };
    this.renderer.setClearColor(0xffffff, 1);
    this.frames = 0; // drawn so far
    this.slow = null; // whether all triangles take too long while moving; null: not known yet
    this.setRatio(this.movingRatio());
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(30, 1, 0.01 * data.size, 20 * data.size);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.addEventListener('change', () => this.draw());
    this.skeleton = this.newSkeleton();
    this.map = new DataTexture(new Uint8Array(4 * 256), 256, 1, RGBAFormat);
    this.map.minFilter = this.map.magFilter = LinearFilter;
    this.shared = {
      map: { value: this.map }, invalid: { value: unit(data.invalid) }, even: { value: false }, cells: { value: [1, 1] },
    };
    this.figures = [];
    this.lines = false;
    this.setMap('viridis');
    this.addMark();
    new ResizeObserver(() => this.resize()).observe(canvas);
  }

  newSkeleton() {
    const bones = this.data.joints.map(() => new Bone());
    return new Skeleton(bones, bones.map(() => new Matrix4()));
  }

  setMap(name) {
    for (let i = 0; i < 256; i++) {
      this.map.image.data.set([...mapColour(this.data.maps[name], i / 255), 255], 4 * i);
    }
    this.map.needsUpdate = true;
    this.draw();
  }

  material(f, options = {}, defines = {}) {
    return new ShaderMaterial({
      vertexShader, fragmentShader, side: DoubleSide, polygonOffset: true,
      polygonOffsetFactor: f.shape.body ? 2 : f.shape.beneath ? 1.5 : 1, polygonOffsetUnits: f.shape.body ? 2 : f.shape.beneath ? 1.5 : 1,
      defines: { ...(f.sets === 2 ? { TWO_SETS: '' } : {}), ...defines },
      uniforms: { ...this.shared, plain: { value: unit(f.shape.beneath ? this.data.beneath : this.data.plain) }, coloured: { value: false } },
      ...options,
    });
  }

  bound(object, f) {
    if (f.sets) {
      object.skeleton = f.skeleton;
      object.bindMode = 'attached';
      object.boundingSphere = new Sphere(new Vector3(), this.data.size); // not from attributes that it lacks
    }
    object.frustumCulled = false; // a pose moves it out of any box that could be kept
    return object;
  }

  add(f) {
    const g = new BufferGeometry();
    g.setAttribute('position', new BufferAttribute(f.position, 3));
    g.setAttribute('normal', new BufferAttribute(f.normal, 4, true));
    g.setAttribute('value', new BufferAttribute(new Float32Array(f.shape.vertices), 1));
    for (let s = 0; s < (f.sets ?? 0); s++) {
      g.setAttribute(`rowJoint${s}`, new BufferAttribute(f.joint[s], 4));
      g.setAttribute(`rowWeight${s}`, new BufferAttribute(f.weight[s], 4, true));
    }
    g.setIndex(new BufferAttribute(f.triangle, 1));
    f.geometry = g;
    // Figures whose default pose is not their bind pose have maps of their own.
    if (f.sets) f.skeleton = f.frames ? this.newSkeleton() : this.skeleton;
    const Kind = f.sets ? SkinnedMesh : Mesh;
    f.surface = this.bound(new Kind(g, this.material(f)), f);
    f.visible = true;
    this.scene.add(f.surface);
    this.figures.push(f);
  }

  // colour sets a figure's values, in [0, 1] or below -1 for none; null: plain.
  colour(f, value) {
    f.surface.material.uniforms.coloured.value = value !== null;
    if (value) {
      const a = f.geometry.attributes.value;
      for (let v = 0; v < a.count; v++) a.array[v] = value(v);
      a.needsUpdate = true;
    }
    this.draw();
  }

  show(f, on) {
    f.visible = on;
    f.surface.visible = on;
    if (f.edges) f.edges.visible = on && this.lines && !this.coarse;
    this.draw();
  }

  // setLines draws the edges of all triangles; they are made when first asked for.
  setLines(on) {
    this.lines = on;
    for (const f of this.figures) {
      if (on && !f.edges) {
        const Kind = f.sets ? SkinnedMesh : Mesh;
        f.edges = this.bound(new Kind(f.geometry, this.material(f, { wireframe: true, polygonOffset: false })), f);
        f.edges.material.uniforms.plain.value = new Vector3(0.08, 0.1, 0.12);
        f.edges.material.uniforms.even = { value: true };
        this.scene.add(f.edges);
      }
      if (f.edges) f.edges.visible = on && f.visible && !this.coarse;
    }
    this.draw();
  }

  setEven(on) {
    this.shared.even.value = on;
    this.draw();
  }

  // addMark makes the ring around the vertex that was read.
  addMark() {
    const g = new BufferGeometry();
    g.setAttribute('position', new BufferAttribute(new Float32Array(3), 3));
    this.mark = new Points(g, new ShaderMaterial({
      depthTest: false, transparent: true,
      uniforms: { ratio: this.ratio },
      vertexShader: 'uniform float ratio; void main() { gl_PointSize = 22.0 * ratio; gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }',
      fragmentShader: `void main() {
        float r = length(gl_PointCoord - 0.5) * 22.0;
        if (r > 10.5 || r < 5.5) discard;
        gl_FragColor = vec4(vec3(r > 9.0 || r < 7.0 ? 0.0 : 1.0), 1.0);
      }`,
    }));
    this.mark.frustumCulled = false;
    this.mark.renderOrder = 1;
    this.mark.visible = false;
    this.scene.add(this.mark);
  }

  select(f, v) {
    this.selected = f ? { f, v } : null;
    this.placeMark();
    this.draw();
  }

  placeMark() {
    this.mark.visible = !!this.selected;
    if (!this.selected) return;
    const p = this.pose.point(this.selected.f, this.selected.v);
    this.mark.geometry.attributes.position.setXYZ(0, p.x, p.y, p.z);
    this.mark.geometry.attributes.position.needsUpdate = true;
  }

  // posed hands the pose to the graphics processor.
  posed() {
    this.skeleton.bones.forEach((b, j) => b.matrixWorld.copy(this.pose.matrix[j]));
    for (const f of this.figures) {
      if (f.frames) f.skeleton.bones.forEach((b, j) => b.matrixWorld.copy(this.pose.of(f)[j]));
    }
    this.placeMark();
    this.draw();
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    if (!w || !h) return;
    this.renderer.setSize(w, h, false);
    this.camera.aspect = w / h;
    this.camera.updateProjectionMatrix();
    this.render(); // at once: a new size has emptied the canvas
    this.draw();
  }

  movingRatio() {
    return this.slow ? Math.min(devicePixelRatio, 1) : Math.min(devicePixelRatio, 2);
  }

  // draw asks for a frame; without a change nothing is drawn.
  draw() {
    clearTimeout(this.settling);
    this.waiting ??= requestAnimationFrame(() => {
      this.waiting = null;
      this.renderMoving();
      clearTimeout(this.settling);
      this.settling = setTimeout(() => this.settle(), stillAfter);
    });
  }

  renderMoving() {
    this.setCoarse(this.slow);
    this.setRatio(this.movingRatio());
    this.render();
  }

  // settle draws the fine frame; the first time it measures a frame of the moving kind.
  async settle() {
    const mine = this.settling;
    if (this.slow === null) {
      this.slow = await this.measure() > slowFrame;
      this.ready?.();
    }
    if (this.waiting || this.settling !== mine) return; // it moves again
    this.setCoarse(false);
    this.setRatio(stillRatio());
    this.render();
  }

  // settled resolves when the view has found out how fast it is.
  settled() {
    return this.slow === null ? new Promise((done) => { this.ready = done; }) : Promise.resolve();
  }

  // measure returns how many milliseconds a frame of all triangles takes, without
  // stalling the page: the second of two, as the first compiles.
  async measure() {
    const gl = this.renderer.getContext();
    let began = 0;
    for (let k = 0; k < 2; k++) {
      began = performance.now();
      this.setCoarse(false);
      this.setRatio(this.movingRatio());
      this.render();
      const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
      gl.flush();
      for (let waits = 0; gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED && waits < 500; waits++) {
        await new Promise((done) => { setTimeout(done, 4); });
      }
      gl.deleteSync(fence);
    }
    return performance.now() - began;
  }

  // setCoarse swaps the triangles; those of a distant look are made when first needed.
  // Edge lines are not drawn with them: they would be lines that the mesh lacks.
  setCoarse(on) {
    const all = this.figures.reduce((sum, f) => sum + f.shape.triangles, 0);
    const coarse = !!on && all > 2 * coarseTriangles;
    if (coarse === this.coarse) return;
    this.coarse = coarse;
    for (const f of this.figures) {
      if (coarse && !f.distant) {
        f.distant = new BufferGeometry();
        for (const [name, a] of Object.entries(f.geometry.attributes)) f.distant.setAttribute(name, a);
        f.distant.setIndex(new BufferAttribute(coarser(f, Math.max(500, (coarseTriangles * f.shape.triangles) / all)), 1));
      }
      f.surface.geometry = coarse ? f.distant : f.geometry;
      if (f.edges) f.edges.visible = !coarse && this.lines && f.visible;
    }
  }

  setRatio(ratio) {
    this.ratio.value = ratio;
    if (this.renderer.getPixelRatio() !== ratio) this.renderer.setPixelRatio(ratio);
  }

  render() {
    this.frames++;
    // What is looked at from close by must not be cut away.
    const near = Math.min(0.01 * this.data.size, 0.1 * this.camera.position.distanceTo(this.controls.target));
    if (near !== this.camera.near) {
      this.camera.near = near;
      this.camera.updateProjectionMatrix();
    }
    this.renderer.render(this.scene, this.camera);
  }

  // look puts the camera before a sphere: centre, radius, seen from azimuth (0: from
  // +z) and elevation, radians.
  look(centre, radius, azimuth, elevation) {
    const half = (this.camera.fov * Math.PI) / 360;
    const d = radius / Math.sin(half) / Math.min(1, this.camera.aspect);
    this.controls.target.copy(centre);
    this.camera.position.setFromSphericalCoords(d, Math.PI / 2 - elevation, azimuth).add(centre);
    this.controls.update();
    this.draw();
  }

  // turn, shift and approach are the keyboard's way around.
  turn(azimuth, elevation) {
    const s = new Spherical().setFromVector3(this.camera.position.clone().sub(this.controls.target));
    s.theta += azimuth;
    s.phi = Math.min(Math.max(s.phi - elevation, 0.02), Math.PI - 0.02);
    this.camera.position.setFromSpherical(s).add(this.controls.target);
    this.controls.update();
    this.draw();
  }

  shift(x, y) {
    const d = this.camera.position.distanceTo(this.controls.target) * 0.5;
    const m = this.camera.matrix;
    const by = new Vector3().setFromMatrixColumn(m, 0).multiplyScalar(x * d).addScaledVector(new Vector3().setFromMatrixColumn(m, 1), y * d);
    this.camera.position.add(by);
    this.controls.target.add(by);
    this.controls.update();
    this.draw();
  }

  approach(factor) {
    this.camera.position.sub(this.controls.target).multiplyScalar(factor).add(this.controls.target);
    this.controls.update();
    this.draw();
  }

  // pick returns the figure and vertex under a point of the canvas, in pixels of the
  // page, or null: the nearest triangle's nearest corner.
  pick(x, y) {
    const at = new Vector2((x / this.canvas.clientWidth) * 2 - 1, 1 - (y / this.canvas.clientHeight) * 2);
    this.camera.updateMatrixWorld();
    const ray = new Raycaster();
    ray.setFromCamera(at, this.camera);
    const { x: ox, y: oy, z: oz } = ray.ray.origin, { x: dx, y: dy, z: dz } = ray.ray.direction;
    const slack = 1e-6; // closes the cracks that rounding leaves between triangles
    let best = Infinity, found = null;
    for (const f of this.figures) {
      if (!f.visible) continue;
      const p = this.pose.points(f), t = f.triangle;
      for (let i = 0; i < t.length; i += 3) {
        // Möller and Trumbore, "Fast, Minimum Storage Ray-Triangle Intersection",
        // Journal of Graphics Tools 2(1), 1997.
        const a = 3 * t[i], b = 3 * t[i + 1], c = 3 * t[i + 2];
        const ax = p[a], ay = p[a + 1], az = p[a + 2];
        const ex = p[b] - ax, ey = p[b + 1] - ay, ez = p[b + 2] - az;
        const gx = p[c] - ax, gy = p[c + 1] - ay, gz = p[c + 2] - az;
        const hx = dy * gz - dz * gy, hy = dz * gx - dx * gz, hz = dx * gy - dy * gx;
        const det = ex * hx + ey * hy + ez * hz;
        if (det === 0) continue;
        const sx = ox - ax, sy = oy - ay, sz = oz - az;
        const u = (sx * hx + sy * hy + sz * hz) / det;
        if (u < -slack || u > 1 + slack) continue;
        const qx = sy * ez - sz * ey, qy = sz * ex - sx * ez, qz = sx * ey - sy * ex;
        const v = (dx * qx + dy * qy + dz * qz) / det;
        if (v < -slack || u + v > 1 + slack) continue;
        const d = (gx * qx + gy * qy + gz * qz) / det;
        if (d <= 0 || d >= best) continue;
        best = d;
        const w = 1 - u - v;
        found = { f, v: w >= u && w >= v ? t[i] : u >= v ? t[i + 1] : t[i + 2] };
      }
    }
    return found;
  }

  // screen is where a vertex appears on the canvas, in pixels of the page.
  screen(f, v) {
    this.camera.updateMatrixWorld();
    const p = this.pose.point(f, v).project(this.camera);
    return [((p.x + 1) / 2) * this.canvas.clientWidth, ((1 - p.y) / 2) * this.canvas.clientHeight];
  }

  // readBack returns the positions that the graphics processor computes.
  readBack(f) {
    const n = f.shape.vertices, w = Math.min(n, 1024), h = Math.ceil(n / w);
    const target = new WebGLRenderTarget(w, h, { type: FloatType, minFilter: NearestFilter, magFilter: NearestFilter, depthBuffer: false });
    const g = new BufferGeometry();
    for (const [name, a] of Object.entries(f.geometry.attributes)) g.setAttribute(name, a);
    const object = this.bound(new (f.sets ? SkinnedPoints : Points)(g, this.material(f, { depthTest: false, blending: 0 }, { READ_BACK: '' })), f);
    const scene = new Scene();
    scene.add(object);
    this.shared.cells.value = [w, h];
    this.renderer.setRenderTarget(target);
    this.renderer.clear();
    this.renderer.render(scene, this.camera);
    const out = new Float32Array(4 * w * h);
    this.renderer.readRenderTargetPixels(target, 0, 0, w, h, out);
    this.renderer.setRenderTarget(null);
    target.dispose();
    object.material.dispose();
    return out;
  }

  // frameTime draws n frames as while moving, waiting for each, and returns the mean in
  // milliseconds.
  frameTime(n) {
    this.renderMoving();
    this.finish();
    const began = performance.now();
    for (let i = 0; i < n; i++) {
      this.turn(0.02, 0);
      this.renderMoving();
      this.finish();
    }
    return (performance.now() - began) / n;
  }

  // finish waits until all that was asked for is drawn.
  finish() {
    const gl = this.renderer.getContext();
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
  }
}
