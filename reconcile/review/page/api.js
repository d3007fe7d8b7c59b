// Asking the server: JSON, or a head with arrays behind it (see packing.py). Nothing else is ever asked.

export class Refused extends Error {
  constructor(status, content) {
    super(content.error || `the server answered ${status}`);
    this.status = status;
    this.content = content;
  }
}

async function answer(response) {
  if (response.ok) return response;
  let content = {};
  try { content = await response.json(); } catch { /* not said in JSON */ }
  throw new Refused(response.status, content);
}

function address(path, query) {
  const known = Object.entries(query).filter(([, value]) => value !== "" && value !== null && value !== undefined);
  return `/api/${path}?${new URLSearchParams(known)}`;
}

async function ask(url, options) {
  try {
    return await fetch(url, options);
  } catch {
    throw new Refused(0, { error: "the server does not answer: was `reconcile review` ended?" });
  }
}

export async function json(path, query = {}) {
  return (await answer(await ask(address(path, query)))).json();
}

export async function post(path, content) {
  const options = { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(content) };
  return (await answer(await ask(`/api/${path}`, options))).json();
}

export async function arrays(path, query) {
  return unpacked(await (await answer(await ask(address(path, query)))).arrayBuffer());
}

export const soundAddress = (query) => address("sound", query);

const KINDS = { f4: Float32Array, f8: Float64Array, i2: Int16Array, i4: Int32Array, u1: Uint8Array };

function unpacked(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  for (const [name, [kind, at, n]] of Object.entries(head.arrays)) head[name] = new KINDS[kind](buffer, 4 + length + at, n);
  delete head.arrays;
  return head;
}
