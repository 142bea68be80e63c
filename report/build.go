package report

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"fourwire/record"
)

// The files that are made from a record and kept in it.
const (
	PageFile     = "report.html"
	WorkbookFile = "results.xlsx"
	JUnitFile    = "verdict.junit.xml"
)

// Form makes one file of a report.
type Form struct {
	Name   string // of the file
	Make   func(*Report) ([]byte, error)
	Beside func(*Report) error // nil, or writes what belongs beside the file into [Folder] of the record, before Make
}

// Build makes the given forms of the record in dir and enters their hashes into its manifest. The same record gives the
// same bytes: nothing inside tells when the report was made. Files that were changed after the run are told in every form.
func Build(dir string, forms ...Form) error {
	rec, err := record.Open(dir)
	if err != nil {
		return err
	}
	changed, err := rec.Verify()
	if err != nil {
		return err
	}
	for _, text := range changed {
		if !aboutMade(text) {
			rec.Problems = append(rec.Problems, text)
		}
	}
	r := New(rec)
	if err := os.RemoveAll(filepath.Join(dir, Folder)); err != nil {
		return fmt.Errorf("record %s: %w", dir, err)
	}
	var files []record.Attachment
	for _, f := range forms {
		if f.Beside != nil {
			if err := f.Beside(r); err != nil {
				return fmt.Errorf("%s of record %s: %w", f.Name, dir, err)
			}
		}
		data, err := f.Make(r)
		if err != nil {
			return fmt.Errorf("%s of record %s: %w", f.Name, dir, err)
		}
		files = append(files, record.Attachment{Name: f.Name, Data: data})
	}
	if err := record.AttachFolder(dir, Folder); err != nil {
		return err
	}
	return record.Attach(dir, files...)
}

// aboutMade tells whether a finding of Verify is about a file that is being made again anyway.
func aboutMade(text string) bool {
	name, _, _ := strings.Cut(text, " ")
	return made(name)
}
