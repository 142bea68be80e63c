// Reads a trace with readers that share nothing with the writer, and prints what they see as JSON: rows, exact sums in base steps, and the
// file's own metadata. Usage: node outside.mjs FILE MULTIPLES, where MULTIPLES is a JSON object of lists: base steps by range.
import { pathToFileURL } from 'node:url'
import { join } from 'node:path'

const [file, text] = process.argv.slice(2)
const multiples = JSON.parse(text)
const out = {}

if (process.env.FOURWIRE_HYPARQUET) {
  const from = name => import(pathToFileURL(join(process.env.FOURWIRE_HYPARQUET, 'src', name)).href)
  const { parquetMetadata, parquetReadObjects } = await from('index.js')
  const { readFile } = await import('node:fs/promises')
  const bytes = await readFile(file)
  const buffer = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength)
  const metadata = parquetMetadata(buffer)
  const rows = await parquetReadObjects({ file: buffer, metadata })
  const sums = {}
  for (const [name, list] of Object.entries(multiples)) {
    let sum = 0n
    for (const row of rows) sum += BigInt(row[name]) * BigInt(list[row[name + '_range']])
    sums[name] = sum.toString()
  }
  const kv = Object.fromEntries(metadata.key_value_metadata.map(({ key, value }) => [key, value]))
  out.hyparquet = { rows: rows.length, sums, interval: kv.interval_s, segments: JSON.parse(kv.segments) }
}

if (process.env.FOURWIRE_DUCKDB) {
  const { DuckDBInstance } = await import(pathToFileURL(join(process.env.FOURWIRE_DUCKDB, 'lib', 'index.js')).href)
  const db = await (await DuckDBInstance.create(':memory:')).connect()
  const one = async sql => (await db.runAndReadAll(sql)).getRows()[0]
  const sums = {}
  let rows = 0
  for (const [name, list] of Object.entries(multiples)) {
    const [n, sum] = await one(`SELECT count(*), CAST(sum(CAST(${name} AS HUGEINT) * [${list}][${name}_range + 1]) AS VARCHAR) FROM read_parquet('${file}')`)
    rows = Number(n)
    sums[name] = sum
  }
  const kv = async key => (await one(`SELECT decode(value) FROM parquet_kv_metadata('${file}') WHERE decode(key) = '${key}'`))[0]
  out.duckdb = { rows, sums, interval: await kv('interval_s'), segments: JSON.parse(await kv('segments')) }
}

console.log(JSON.stringify(out))
