// The schemas accept every golden message and refuse damaged ones (reference: ajv, JSON Schema 2020-12),
// and the decoders agree with the schemas about each of them.
// usage: node --test schema.test.mjs, with FEED_VERDICT naming the decoders' program
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { test } from 'node:test';
import { goldens, schemas, validators } from './parts.mjs';

const validate = validators();
const clone = (value) => JSON.parse(JSON.stringify(value));

// Every place in a message, as the path of keys that leads to it.
function places(value, path = []) {
  if (value === null || typeof value !== 'object') return path.length ? [path] : [];
  const inner = Object.keys(value).flatMap((key) => places(value[key], [...path, key]));
  return path.length ? [path, ...inner] : inner;
}

function changed(message, path, change) {
  const copy = clone(message);
  const owner = path.slice(0, -1).reduce((at, key) => at[key], copy);
  change(owner, path.at(-1));
  return copy;
}

const otherType = (value) => {
  if (typeof value === 'boolean') return 1;
  if (typeof value === 'number') return String(value);
  if (value === null) return true;
  return 7;
};

function outOfRange(value) {
  if (typeof value === 'number') return [1e15 * 10, -1e16, 1e300];
  if (typeof value === 'string') return ['x'.repeat(5000)];
  if (Array.isArray(value)) return [Array(9).fill(value[0] ?? 0)];
  return [];
}

// One message for each way to damage it. Elements of a list cannot be missing.
function damaged(message) {
  return places(message).flatMap((path) => {
    const value = path.reduce((at, key) => at[key], message);
    const set = (to) => ({ path, what: JSON.stringify(to).slice(0, 20),
      message: changed(message, path, (owner, key) => { owner[key] = to; }) });
    const all = [set(otherType(value)), ...outOfRange(value).map(set)];
    const owner = path.slice(0, -1).reduce((at, key) => at[key], message);
    if (!Array.isArray(owner)) all.push({ path, what: 'missing',
      message: changed(message, path, (at, key) => { delete at[key]; }) });
    return all;
  });
}

// The decoders' verdict on many messages at once: 0 or an error for each.
function verdicts(lines) {
  const input = lines.map(({ schema, text }) => `${schema}\t${text}\n`).join('');
  const run = spawnSync(process.env.FEED_VERDICT, { input, maxBuffer: 1 << 28, encoding: 'utf8' });
  assert.equal(run.status, 0, `${process.env.FEED_VERDICT}: ${run.error ?? run.stderr}`);
  return run.stdout.trimEnd().split('\n').map((line) => Number(line.split(' ')[0]));
}

test('every schema has a golden message', () => {
  const covered = new Set(goldens.map((golden) => golden.schema));
  assert.deepEqual([...covered].sort(), Object.keys(schemas).sort());
});

test('every golden message is valid', () => {
  for (const { name, schema, value } of goldens) {
    assert.ok(validate[schema](value), `${name}: ${JSON.stringify(validate[schema].errors)}`);
  }
});

test('a schema requires every key it describes, and describes each in words', () => {
  const walk = (node, where) => {
    for (const [key, inner] of Object.entries(node.properties ?? {})) {
      assert.ok(inner.description || 'const' in inner, `${where}.${key} has no description`);
      walk(inner, `${where}.${key}`);
    }
    if (node.items?.properties) walk(node.items, `${where}[]`);
  };
  for (const [name, schema] of Object.entries(schemas)) walk(schema, name);
});

for (const { name, schema, value } of goldens) {
  test(`${name}: what is damaged is refused, by schema and decoder`, () => {
    const all = damaged(value);
    const verdict = verdicts(all.map((d) => ({ schema, text: JSON.stringify(d.message) })));
    assert.equal(verdict.length, all.length);
    all.forEach((d, i) => {
      const what = `${name} ${d.path.join('.')} ${d.what}`;
      assert.ok(!validate[schema](d.message), `the schema accepts ${what}`);
      assert.notEqual(verdict[i], 0, `the decoder accepts ${what}`);
    });
  });
}

test('limits are the same for schema and decoder', () => {
  const cases = goldens.flatMap(({ name, schema, value }) => places(value).flatMap((path) => {
    const was = path.reduce((at, key) => at[key], value);
    if (typeof was !== 'number' || path[0] === 'version') return [];
    const limits = [0, 1, -1, 3, 12, 13, 60, 61, 63, 64, 223, 250, 250.25, 254, 255, 256, 65535, 65536,
      131070, 131072, 4294967295, 4294967296, 33554430, 33554432, 9007199254740991,
      9007199254740992, 327.67, 327.68, -327.68, -327.69, 0.5, 6.08, 6.1, 87, 87.5, -40, -40.5, 100,
      100.5, 1000000000, 1000000001, 3600, 3601];
    return limits.map((to) => ({ name, schema, path, to,
      message: changed(value, path, (owner, key) => { owner[key] = to; }) }));
  })).filter(({ path, message }) => {
    // What one schema cannot say of two keys: the decoder alone refuses it.
    const { n, oldest, loss, frame } = message;
    if (oldest > n || (loss && (loss.last < loss.first || loss.count > loss.last - loss.first + 1)))
      return false;
    if (message.first + message.count > 4294967296 || message.low_mark_mm >= message.full_mark_mm)
      return false;
    return !(frame?.report && ['tick_age_s', 'interval_min'].includes(path.at(-1)));
  });
  const verdict = verdicts(cases.map((c) => ({ schema: c.schema, text: JSON.stringify(c.message) })));
  assert.ok(cases.length > 3000);
  cases.forEach((c, i) => {
    assert.equal(verdict[i] === 0, validate[c.schema](c.message),
      `${c.name} ${c.path.join('.')} = ${c.to}: decoder ${verdict[i]}`);
  });
});

test('a key of a later version is ignored, a later version is not', () => {
  for (const { name, schema, value } of goldens) {
    const more = { ...value, added_later: { anything: [1, null] } };
    const later = { ...value, version: 2 };
    assert.ok(validate[schema](more), name);
    assert.ok(!validate[schema](later), name);
    const [first, second] = verdicts([more, later].map((m) => ({ schema, text: JSON.stringify(m) })));
    assert.equal(first, 0, name);
    assert.equal(second, -5, name);
  }
});
