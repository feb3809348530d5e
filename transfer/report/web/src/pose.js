// Poses: for each joint the map from the default pose to the posed one, as
// package skinning's TurnAll makes it.
import { Matrix4, Vector3 } from 'three';
import { row } from './payload.js';

export class Pose {
  constructor(joints) {
    this.joints = joints;
    this.turn = joints.map(() => [0, 0, 0]); // radians about the joint's own axes
    this.matrix = joints.map(() => new Matrix4());
    this.version = 0;
  }

  set(joint, axis, radians) {
    this.turn[joint][axis] = radians;
    this.update();
  }

  reset() {
    for (const t of this.turn) t.fill(0);
    this.update();
  }

  // update: a joint turns by the rotation vector that its three angles make, about
  // its own origin, after its parent: P_j = P_parent * T(o) R T(-o).
  update() {
    const done = new Array(this.joints.length).fill(false);
    const r = new Matrix4(), away = new Matrix4(), axis = new Vector3();
    const visit = (j, depth) => {
      if (done[j] || depth > this.joints.length) return;
      const { parent, origin, axes } = this.joints[j];
      if (parent >= 0) visit(parent, depth + 1);
      const m = this.matrix[j].identity();
      if (parent >= 0) m.copy(this.matrix[parent]);
      axis.set(0, 0, 0);
      for (let k = 0; k < 3; k++) for (let c = 0; c < 3; c++) axis.setComponent(c, axis.getComponent(c) + axes[k][c] * this.turn[j][k]);
      const angle = axis.length();
      if (angle > 0) {
        r.makeRotationAxis(axis.divideScalar(angle), angle);
        m.multiply(away.makeTranslation(...origin)).multiply(r).multiply(away.makeTranslation(-origin[0], -origin[1], -origin[2]));
      }
      done[j] = true;
    };
    for (let j = 0; j < this.joints.length; j++) visit(j, 0);
    this.version++;
  }

  // point is where vertex v of figure f stands.
  point(f, v, out = new Vector3()) {
    const x = f.position[3 * v], y = f.position[3 * v + 1], z = f.position[3 * v + 2];
    let px = 0, py = 0, pz = 0, sum = 0;
    for (const [j, w] of row(f, v)) {
      const e = this.matrix[j].elements;
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
    if (!f.sets || this.turn.every((t) => t.every((a) => a === 0))) {
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
