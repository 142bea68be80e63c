// Package battery reads and writes battery files: one cell with its open-circuit voltage, resistances, capacity and what
// shortens its life, every figure with its unit. FORMAT.md in this folder describes the file; the arithmetic is in
// analysis/battery.
package battery

import (
	cell "fourwire/analysis/battery"
	"fourwire/internal/diag"
)

// File is a battery file as understood.
type File struct {
	Name   string // of the file
	Text   []byte // exactly as read
	Place  diag.Place
	Title  string
	Source string // where its figures come from, in words
	Cell   cell.Cell
	// ShelfSeconds is the life without load; 0 is not stated.
	ShelfSeconds float64
}

// ShelfYears is the shelf life in years of 8766 hours; 0 is not stated.
func (f *File) ShelfYears() float64 { return f.ShelfSeconds / cell.YearSeconds }
