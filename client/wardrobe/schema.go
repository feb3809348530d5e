package wardrobe

import _ "embed"

// Schema is the JSON Schema (draft 2020-12) of a manifest, for editors. What Read
// checks beyond it: patterns, names that refer to bodies, files.
//
//go:embed schema.json
var Schema []byte

// SchemaFile is the name that Init gives the schema beside a manifest.
const SchemaFile = "wardrobe.schema.json"
