// Bundles src/ into dist/viewer.js and gathers the licence of what it contains.
// With --check nothing is written: the exit status says whether dist/ is current.
import { readFileSync, writeFileSync, mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { build } from 'esbuild';

const here = (path) => fileURLToPath(new URL(path, import.meta.url));
const result = await build({
  entryPoints: [here('src/main.js')],
  absWorkingDir: here('.'),
  bundle: true,
  minify: true,
  write: false,
  format: 'iife',
  target: ['es2022'],
  charset: 'ascii',
  legalComments: 'none', // dist/LICENSES.txt has them whole
  logLevel: 'warning',
});
// A script block must not hold what could end it or open a comment.
const bundle = result.outputFiles[0].text.replaceAll('</', '<\\/').replaceAll('<!--', '<\\!--');
const { version } = JSON.parse(readFileSync(here('node_modules/three/package.json'), 'utf8'));
const licences = `viewer.js contains three.js ${version}, https://threejs.org, under this licence:\n\n${readFileSync(here('node_modules/three/LICENSE'), 'utf8')}`;

let stale = 0;
for (const [path, text] of [['dist/viewer.js', bundle], ['dist/LICENSES.txt', licences]]) {
  if (!process.argv.includes('--check')) {
    mkdirSync(here('dist'), { recursive: true });
    writeFileSync(here(path), text);
    console.log(`${path}: ${text.length} bytes`);
    continue;
  }
  let old = '';
  try {
    old = readFileSync(here(path), 'utf8');
  } catch {
    // Missing is stale.
  }
  if (old !== text) {
    console.error(`${path} is not what the sources make: run make web`);
    stale++;
  }
}
process.exitCode = stale ? 1 : 0;
