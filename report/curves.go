package report

import "fourwire/record"

// Curves are the pictures that a record asks for, from its columns and rows alone: also of a record that was put together from
// several.
func Curves(rec *record.Record) []Curve { return curves(rec) }
