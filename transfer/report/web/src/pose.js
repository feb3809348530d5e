// Poses: for each joint the map from the default pose to the posed one.
import { Matrix4, Vector3 } from 'three';
import { row } from './payload.js';

// matrixOf reads twelve numbers, row by row.
export const matrixOf = (m) => new Matrix4().set(...m, 0, 0, 0, 1);

export class Pose {
  constructor(joints) {
    this.joints = joints;
    // What each joint does itself, by its own axes: metres, a rotation vector in
    // radians, factors; and before them a whole map, where those do not say all.
    this.own = joints.map(() => ({ translation: [0, 0, 0], rotation: [0, 0, 0], scale: [1, 1, 1], matrix: null }));
    this.matrix = joints.map(() => new Matrix4());
    this.version = 0;
  }

  set(joint, what, axis, x) {
    this.own[joint][what][axis] = x;
    this.update();
  }

  reset() {
    for (const o of this.own) {
      o.translation.fill(0);
      o.rotation.fill(0);
      o.scale.fill(1);
      o.matrix = null;
    }
    this.update();
  }

  // take replaces the pose by the given changes of joints.
  take(changes) {
    this.reset();
    for (const c of changes) {
      Object.assign(this.own[c.joint], {
        translation: [...c.translation], rotation: [...c.rotation], scale: [...c.scale], matrix: c.matrix ? matrixOf(c.matrix) : null,
      });
    }
    this.update();
  }

  // changed says whether the joint itself does anything.
  changed(j) {
    const o = this.own[j];
    return !!o.matrix || o.translation.some((x) => x !== 0) || o.rotation.some((x) => x !== 0) || o.scale.some((x) => x !== 1);
  }

  // update: P_j = P_parent M_j T(o + A t) R A S A^T T(-o), with the joint's origin o and
  // own axes A: translation, rotation and scale in the order of a glTF node's.
  update() {
    const done = new Array(this.joints.length).fill(false);
    const r = new Matrix4(), away = new Matrix4(), basis = new Matrix4(), scale = new Matrix4();
    const axis = new Vector3(), shift = new Vector3(), own = [new Vector3(), new Vector3(), new Vector3()];
    const visit = (j, depth) => {
      if (done[j] || depth > this.joints.length) return;
      const { parent, origin, axes } = this.joints[j];
      if (parent >= 0) visit(parent, depth + 1);
      const m = this.matrix[j].identity();
      if (parent >= 0) m.copy(this.matrix[parent]);
      if (this.changed(j)) {
        const o = this.own[j];
        if (o.matrix) m.multiply(o.matrix);
        axis.set(0, 0, 0);
        shift.fromArray(origin);
        for (let k = 0; k < 3; k++) {
          own[k].fromArray(axes[k]);
          axis.addScaledVector(own[k], o.rotation[k]);
          shift.addScaledVector(own[k], o.translation[k]);
        }
        m.multiply(away.makeTranslation(shift));
        const angle = axis.length();
        if (angle > 0) m.multiply(r.makeRotationAxis(axis.divideScalar(angle), angle));
        if (o.scale.some((x) => x !== 1)) {
          m.multiply(basis.makeBasis(...own)).multiply(scale.makeScale(...o.scale)).multiply(basis.transpose());
        }
        m.multiply(away.makeTranslation(-origin[0], -origin[1], -origin[2]));
      }
      done[j] = true;
    };
    for (let j = 0; j < this.joints.length; j++) visit(j, 0);
    this.version++;
  }

  // of returns the maps that apply to f's positions: where the default pose is not the
  // bind pose, from the bind frame.
  of(f) {
    if (!f.frames) return this.matrix;
    if (f.maps?.version !== this.version) {
      f.maps ??= { list: this.matrix.map(() => new Matrix4()) };
      f.maps.list.forEach((m, j) => (f.frames[j] ? m.multiplyMatrices(this.matrix[j], f.frames[j]) : m.copy(this.matrix[j])));
      f.maps.version = this.version;
    }
    return f.maps.list;
  }

  // point is where vertex v of figure f stands.
  point(f, v, out = new Vector3()) {
    const x = f.position[3 * v], y = f.position[3 * v + 1], z = f.position[3 * v + 2], maps = this.of(f);
    let px = 0, py = 0, pz = 0, sum = 0;
    for (const [j, w] of row(f, v)) {
      const e = maps[j].elements;
      px += w * (e[0] * x + e[4] * y + e[8] * z + e[12]);
      py += w * (e[1] * x + e[5] * y + e[9] * z + e[13]);
      pz += w * (e[2] * x + e[6] * y + e[10] * z + e[14]);
      sum += w;
    }
    return out.set(px + (1 - sum) * x, py + (1 - sum) * y, pz + (1 - sum) * z);
  }

  // points are all of f's, kept until the pose changes.
  points(f) {
    if (f.posed?.version === this.version) return f.posed.at;
    const n = f.shape.vertices, at = f.posed?.at ?? new Float32Array(3 * n);
    if (!f.sets || !f.frames && !this.own.some((_, j) => this.changed(j))) {
      at.set(f.position);
    } else {
      const p = new Vector3();
      for (let v = 0; v < n; v++) {
        this.point(f, v, p);
        at[3 * v] = p.x;
        at[3 * v + 1] = p.y;
        at[3 * v + 2] = p.z;
      }
    }
    f.posed = { version: this.version, at };
    return at;
  }
}
