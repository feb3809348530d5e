// validate.mjs FILE...: the standard's own validator on each file; one JSON line each.
import { readFileSync } from 'node:fs';
import validator from 'gltf-validator';

for (const file of process.argv.slice(2)) {
  const r = await validator.validateBytes(new Uint8Array(readFileSync(file)), {
    uri: file, maxIssues: 0,
    externalResourceFunction: async (uri) => new Uint8Array(readFileSync(new URL(uri, new URL(`file://${file}`)))),
  });
  console.log(JSON.stringify({
    file, errors: r.issues.numErrors, warnings: r.issues.numWarnings,
    messages: r.issues.messages.filter((m) => m.severity < 2).map((m) => `${m.code} ${m.pointer}: ${m.message}`),
    codes: r.issues.messages.filter((m) => m.severity === 1).map((m) => m.code),
  }));
}
