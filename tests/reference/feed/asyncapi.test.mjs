// The AsyncAPI document is valid (reference: @asyncapi/parser, AsyncAPI 3.0.0), and says of each channel
// the topic that the product uses.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { asyncapiPath, require, schemas, top } from './parts.mjs';

const { Parser } = require('@asyncapi/parser');

async function parsed(text) {
  const parser = new Parser();
  return parser.parse(text, { source: asyncapiPath });
}

const text = readFileSync(asyncapiPath, 'utf8');

test('the document is valid, without warnings that matter', async () => {
  const { document, diagnostics } = await parsed(text);
  const grave = diagnostics.filter((d) => d.severity <= 1);
  assert.deepEqual(grave.map((d) => `${d.path.join('.')}: ${d.message}`), []);
  assert.ok(document);
});

test('a broken document is refused', async () => {
  const { diagnostics } = await parsed(text.replace('action: send', 'action: shout'));
  assert.ok(diagnostics.some((d) => d.severity === 0));
});

test('every schema is used by a message', async () => {
  const { document } = await parsed(text);
  const used = document.allMessages().all().map((m) => m.payload().json('$id'));
  for (const schema of Object.values(schemas)) assert.ok(used.includes(schema.$id), schema.$id);
});

test('the channels are the topics of protocol/feed/topic.h', async () => {
  const { document } = await parsed(text);
  const header = readFileSync(`${top}/protocol/feed/topic.h`, 'utf8');
  const topics = [...header.matchAll(/^ \* {3}(edgerow\/\S+)/gm)]
    .map((m) => m[1].replaceAll('<', '{').replaceAll('>', '}'));
  assert.equal(topics.length, 12);
  assert.deepEqual(document.allChannels().all().map((c) => c.address()).sort(), topics.sort());
});
