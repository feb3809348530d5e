// skin.mjs FILE JOINT X Y Z W: loads a GLB with three.js, turns the node called
// JOINT by the quaternion on the left of its own rotation (JOINT '-' turns none),
// and prints the world positions of every mesh vertex as JSON:
// [{"node": name, "primitive": k, "positions": [x, y, z, ...]}, ...].
import { readFileSync } from 'node:fs';
import * as THREE from 'three';
import { GLTFLoader } from 'three/examples/jsm/loaders/GLTFLoader.js';

// The loader asks for a page's globals; images are not needed here.
globalThis.self = globalThis;
const [file, joint, ...q] = process.argv.slice(2);
const data = readFileSync(file);
const buffer = data.buffer.slice(data.byteOffset, data.byteOffset + data.byteLength);
const loader = new GLTFLoader();
loader.register(() => ({ name: 'no-images', loadTexture: () => Promise.resolve(new THREE.Texture()) }));
const gltf = await new Promise((resolve, reject) => loader.parse(buffer, '', resolve, reject));
if (joint !== '-') {
  let turned = 0;
  gltf.scene.traverse((o) => {
    if (o.isBone && o.userData.name === undefined ? o.name === THREE.PropertyBinding.sanitizeNodeName(joint) : o.userData.name === joint) {
      o.quaternion.premultiply(new THREE.Quaternion(...q.map(Number)));
      turned++;
    }
  });
  if (turned !== 1) throw new Error(`${turned} joints are called ${joint}`);
}
gltf.scene.updateMatrixWorld(true);
const out = [];
gltf.scene.traverse((o) => {
  if (!o.isMesh) return;
  if (o.isSkinnedMesh) o.skeleton.update();
  const { meshes, primitives } = gltf.parser.associations.get(o) ?? {};
  const positions = [];
  const v = new THREE.Vector3();
  for (let i = 0; i < o.geometry.attributes.position.count; i++) {
    o.getVertexPosition(i, v); // morphs and skins
    v.applyMatrix4(o.matrixWorld);
    positions.push(v.x, v.y, v.z);
  }
  out.push({ mesh: meshes ?? -1, primitive: primitives ?? 0, positions });
});
console.log(JSON.stringify(out));
