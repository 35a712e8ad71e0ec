// What arrives on the broker, checked against the schemas as it comes.
import { validators } from '../../reference/feed/parts.mjs';
import { connect } from './broker.mjs';

const validate = validators();
const schemaOf = [[/\/row$/, 'row'], [/\/presence$/, 'presence'],
  [/\/gateway\/[^/]+\/health$/, 'gateway-health'], [/\/collector\/[^/]+\/health$/, 'collector-health'],
  [/\/stored\//, 'mark'],
  [/\/lease\//, 'lease'], [/\/held\//, 'held'], [/\/order\//, 'order'], [/\/trap\//, 'trap-state'], [/\/block\//, 'block-state'],
  [/\/notice\//, 'notice-state']];

// Messages that fit no schema are in `invalid`; strangers' messages of the test itself are not counted
// when their topic and text were announced with expect().
// login: { user, password }.
export async function listen(port, site = 'home', login) {
  const client = await connect(port, { protocolVersion: 5, clientId: `ear-${process.pid}`,
    username: login?.user, password: login?.password });
  const ear = { messages: [], invalid: [], announced: new Set(), client };
  client.on('message', (topic, payload) => {
    const text = payload.toString();
    if (ear.announced.has(`${topic} ${text}`)) return;
    const schema = schemaOf.find(([pattern]) => pattern.test(topic))?.[1];
    let value = null;
    try {
      value = text === '' ? null : JSON.parse(text);
    } catch { /* said below */ }
    const ok = text === '' || (value !== null && schema !== undefined && validate[schema](value));
    ear.messages.push({ topic, text, value, schema });
    if (!ok) ear.invalid.push(`${topic} ${text.slice(0, 300)} ${JSON.stringify(validate[schema]?.errors)}`);
  });
  await client.subscribeAsync(`edgerow/${site}/#`, { qos: 1 });
  ear.of = (schema) => ear.messages.filter((m) => m.schema === schema && m.value !== null)
    .map((m) => m.value);
  ear.last = (topic) => ear.messages.filter((m) => m.topic === topic).at(-1)?.value;
  ear.expect = (topic, text) => ear.announced.add(`${topic} ${text}`);
  ear.close = () => client.endAsync();
  return ear;
}
