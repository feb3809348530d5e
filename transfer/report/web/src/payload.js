// Decoding of the page's geometry; the inverse of payload.go.

// inflate turns a base64 text of gzip into bytes.
async function inflate(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

class Reader {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  take(n) {
    if (this.at + n > this.bytes.length) throw new Error('the geometry is cut off');
    this.at += n;
    return this.bytes.subarray(this.at - n, this.at);
  }

  // u16 reads n numbers from two byte planes; differenced ones are summed up.
  u16(n, differenced) {
    const low = this.take(n), high = this.take(n), out = new Uint16Array(n);
    let last = 0;
    for (let i = 0; i < n; i++) {
      const x = low[i] | (high[i] << 8);
      if (differenced) last = out[i] = last + ((x >>> 1) ^ -(x & 1));
      else out[i] = x;
    }
    return out;
  }

  u32(n) {
    const a = this.take(n), b = this.take(n), c = this.take(n), d = this.take(n), out = new Uint32Array(n);
    let last = 0;
    for (let i = 0; i < n; i++) {
      const x = (a[i] | (b[i] << 8) | (c[i] << 16) | (d[i] << 24)) >>> 0;
      last = (last + ((x >>> 1) ^ -(x & 1))) | 0;
      out[i] = last;
    }
    return out;
  }
}

// unpack returns the arrays of the figure that shape describes.
export async function unpack(shape, text) {
  const r = new Reader(await inflate(text));
  const n = shape.vertices;
  const f = { shape, position: new Float32Array(3 * n), normal: new Int8Array(4 * n) };
  for (let axis = 0; axis < 3; axis++) {
    const q = r.u16(n, true), min = shape.min[axis], step = shape.step[axis];
    for (let v = 0; v < n; v++) f.position[3 * v + axis] = min + step * q[v];
  }
  // Octahedral directions back to unit vectors.
  const nx = r.take(n), ny = r.take(n);
  for (let v = 0; v < n; v++) {
    let x = ((nx[v] << 24) >> 24) / 127, y = ((ny[v] << 24) >> 24) / 127;
    const z = 1 - Math.abs(x) - Math.abs(y);
    if (z < 0) {
      const t = x;
      x = (1 - Math.abs(y)) * (t < 0 ? -1 : 1);
      y = (1 - Math.abs(t)) * (y < 0 ? -1 : 1);
    }
    const l = 127 / Math.hypot(x, y, z);
    f.normal[4 * v] = x * l;
    f.normal[4 * v + 1] = y * l;
    f.normal[4 * v + 2] = z * l;
  }
  f.triangle = r.u32(3 * shape.triangles);
  const k = shape.influences;
  if (k > 0) {
    // From all first, all second, ... influences to sets of four by vertex, as a
    // graphics processor wants them.
    f.sets = k > 4 ? 2 : 1;
    f.joint = Array.from({ length: f.sets }, () => new Uint16Array(4 * n));
    f.weight = Array.from({ length: f.sets }, () => new Uint16Array(4 * n));
    for (const target of [f.joint, f.weight]) {
      const x = r.u16(k * n, false);
      for (let i = 0; i < k; i++) {
        const out = target[i >> 2];
        for (let v = 0; v < n; v++) out[4 * v + (i & 3)] = x[i * n + v];
      }
    }
  }
  if (shape.confidence) f.confidence = r.u16(n, true);
  if (shape.reason) f.reason = r.u16(n, false);
  if (shape.match) {
    f.distance = r.u16(n, true);
    f.match = r.u32(n);
    f.bary = [r.take(n), r.take(n)];
  }
  if (shape.difference) f.difference = r.u16(n, true);
  if (r.at !== r.bytes.length) throw new Error('the geometry is longer than it says');
  return f;
}

// row lists a vertex's influences, largest first: [[joint, weight], ...].
export function row(f, v) {
  const out = [];
  for (let s = 0; s < (f.sets ?? 0); s++) {
    for (let i = 4 * v; i < 4 * v + 4; i++) {
      if (f.weight[s][i] > 0) out.push([f.joint[s][i], f.weight[s][i] / 65535]);
    }
  }
  return out;
}

// confidenceOf, differenceOf, distanceOf: NaN and Infinity where there is none.
export const confidenceOf = (f, v) => (!f.confidence || f.confidence[v] === 65535 ? NaN : f.confidence[v] / 65534);
export const differenceOf = (f, v) => (!f.difference || f.difference[v] === 65535 ? NaN : (f.difference[v] / 65534) * 2);
export const distanceOf = (f, v) => (!f.distance ? NaN : f.distance[v] === 65535 ? Infinity : (f.distance[v] / 65534) * f.shape.maxDistance);
