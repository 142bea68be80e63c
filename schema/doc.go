// Package schema holds the JSON Schemas of the files that people write, for editors that complete and check YAML by them.
// They are generated from the descriptions that the readers themselves use; a test keeps the two alike.
package schema
