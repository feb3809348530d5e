// A client of the service in another language, from the .proto alone:
//
//   node transfer.mjs 127.0.0.1:7411 body.glb coat.glb coat.weighted.glb
//
// It uploads the body unless the server has it, sends the garment along, shows
// the progress, and writes the finished asset. The last line is the summary.
import { createHash } from 'node:crypto';
import { readFileSync, writeFileSync } from 'node:fs';
import { basename } from 'node:path';
import { fileURLToPath } from 'node:url';
import grpc from '@grpc/grpc-js';
import { loadSync } from '@grpc/proto-loader';

const api = fileURLToPath(new URL('../../api', import.meta.url));
const { selvage } = grpc.loadPackageDefinition(loadSync('selvage/v1/service.proto', { includeDirs: [api], longs: Number }));
const [address, bodyFile, garmentFile, output] = process.argv.slice(2);
const client = new selvage.v1.SelvageService(address, grpc.credentials.createInsecure());

// unary makes a promise of a call with one answer.
const unary = (method, request) =>
  new Promise((resolve, reject) => client[method](request, (error, answer) => (error ? reject(error) : resolve(answer))));

// upload sends the bytes in chunks of 256 KiB and returns the asset's name.
async function upload(data) {
  const sha256 = createHash('sha256').update(data).digest();
  const name = `assets/${sha256.toString('hex')}`;
  try {
    return (await unary('GetAsset', { name })).name;
  } catch (error) {
    if (error.code !== grpc.status.NOT_FOUND) throw error;
  }
  return new Promise((resolve, reject) => {
    const call = client.UploadAsset((error, asset) => (error ? reject(error) : resolve(asset.name)));
    call.write({ start: { sha256, sizeBytes: data.length } });
    for (let at = 0; at < data.length; at += 1 << 18) call.write({ chunk: data.subarray(at, at + (1 << 18)) });
    call.end();
  });
}

// transfer returns the finished asset and its summary.
function transfer(body, garment, displayName) {
  return new Promise((resolve, reject) => {
    const chunks = [];
    let result;
    const call = client.TransferAsset({ body: { asset: body }, garment: { content: garment, displayName } });
    call.on('data', (message) => {
      if (message.progress) console.error(`${message.progress.stage} ${Math.round(100 * message.progress.done)}%`);
      if (message.result) result = message.result;
      if (message.content) chunks.push(message.content);
    });
    call.on('error', reject);
    call.on('end', () => {
      // The stream also ends where an error cuts it off; the error event comes too.
      const data = Buffer.concat(chunks);
      if (result && data.length === result.sizeBytes) resolve({ data, summary: result.summary });
    });
  });
}

try {
  const body = await upload(readFileSync(bodyFile));
  const { data, summary } = await transfer(body, readFileSync(garmentFile), basename(garmentFile));
  writeFileSync(output, data);
  console.log(JSON.stringify({ garment: summary.garment, vertices: summary.vertices, lowConfidence: summary.lowConfidence }));
} catch (error) {
  console.error(`${grpc.status[error.code] ?? 'error'}: ${error.details ?? error.message}`);
  process.exitCode = 1;
} finally {
  client.close();
}
