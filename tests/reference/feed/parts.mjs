// What the checks of the feed share: the reference libraries, the schemas and the golden messages.
import { createRequire } from 'node:module';
import { existsSync, readFileSync, readdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

export const top = join(dirname(fileURLToPath(import.meta.url)), '../../..');
const libraries = join(top, 'tests/npm');
if (!existsSync(join(libraries, 'node_modules'))) {
  console.error('The reference libraries are missing: run tests/npm/install.sh');
  process.exit(1);
}
export const require = createRequire(join(libraries, 'package.json'));

const feed = join(top, 'protocol/feed');
export const asyncapiPath = join(feed, 'asyncapi.yaml');
export const schemas = Object.fromEntries(readdirSync(join(feed, 'schema')).map((file) =>
  [file.replace('.json', ''), JSON.parse(readFileSync(join(feed, 'schema', file), 'utf8'))]));

const goldenFolder = join(top, 'tests/unit/feed/golden');
const schemaOf = { trap: 'trap-state', block: 'block-state', notice: 'notice-state' };

// "row-regular.json" is a row: the longest schema name that begins the file's name, or its first word's.
function schemaFor(name) {
  const fits = Object.keys(schemas).filter((s) => name === s || name.startsWith(`${s}-`));
  return fits.sort((a, b) => b.length - a.length)[0] ?? schemaOf[name.split('-')[0]];
}

export const goldens = readdirSync(goldenFolder).map((file) => {
  const name = file.replace('.json', '');
  const text = readFileSync(join(goldenFolder, file), 'utf8').trimEnd();
  return { name, schema: schemaFor(name), text, value: JSON.parse(text) };
});

export function validators() {
  const Ajv = require('ajv/dist/2020').default;
  const ajv = new Ajv({ strict: true, allErrors: false, strictRequired: false,
    allowUnionTypes: true });
  require('ajv-formats').default(ajv);
  return Object.fromEntries(Object.entries(schemas).map(([name, schema]) =>
    [name, ajv.compile(schema)]));
}
