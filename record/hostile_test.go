package record_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"fourwire/internal/clock"
	"fourwire/record"
)

// everything reads a folder in every way there is; only whether it comes back matters.
func everything(dir string) []error {
	_, open := record.Open(dir)
	_, verify := record.Check(dir)
	_, terms := record.ReadTerms(dir)
	_, repair := record.Repair(dir, "fourwire test", later)
	attach := record.Attach(dir, record.Attachment{Name: "report.html", Data: []byte("x")})
	_, _, resume := record.Resume(dir, "fourwire test", clock.NewVirtual(later), nil)
	return []error{open, verify, terms, repair, attach, resume}
}

// Nothing outside the folder is read or written, whatever the folder holds in the place of its files.
func TestNothingOutsideTheFolderIsTouched(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("links need a privilege there")
	}
	const secret = "a secret that must not turn up"
	for _, name := range []string{record.ManifestFile, record.PointsFile, record.WireFile, record.LogFile, record.TermsFile, "report.html",
		record.PointsFile + ".torn", "report.html.part", "inputs/line.yaml", "inputs", "earlier"} {
		dir := sealedRun(t, 12, false)
		outside := filepath.Join(t.TempDir(), "outside")
		path := filepath.Join(dir, name)
		if name == "inputs" || name == "earlier" {
			if err := os.MkdirAll(outside, 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(outside, "line.yaml"), []byte(secret), 0o666); err != nil {
				t.Fatal(err)
			}
		} else {
			// a file that would pass for the one of the record, with something more
			had, err := os.ReadFile(path)
			if err != nil && !errors.Is(err, os.ErrNotExist) {
				t.Fatal(err)
			}
			if err := os.WriteFile(outside, append(had, secret...), 0o666); err != nil {
				t.Fatal(err)
			}
			appendTo(t, filepath.Join(dir, record.PointsFile), "13,1") // so that there is something to cut
		}
		if err := os.RemoveAll(path); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(outside, path); err != nil {
			t.Fatal(err)
		}
		before := tree(t, outside)
		c, err := record.Check(dir)
		if err == nil {
			data, merr := json.Marshal(c)
			if merr != nil || bytes.Contains(data, []byte(secret)) {
				t.Errorf("%s: %s %v", name, data, merr)
			}
			if c.Whole {
				t.Errorf("a link in the place of %s is not found: %+v", name, c)
			}
		}
		if r, err := record.Open(dir); err == nil {
			if strings.Contains(fmt.Sprintf("%+v", r), secret) {
				t.Errorf("%s was read from outside", name)
			}
		}
		everything(dir)
		if after := tree(t, outside); after != before {
			t.Errorf("%s: outside was %q, is %q", name, before, after)
		}
	}
}

// tree is everything in a file or folder.
func tree(t *testing.T, path string) string {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if !info.IsDir() {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	var all strings.Builder
	for _, name := range files(t, path) {
		data, err := os.ReadFile(filepath.Join(path, name))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&all, "%s: %s\n", name, data)
	}
	return all.String()
}

// Absurd files cost bounded memory: what is too deep, too long or too many is refused or left out, and said.
func TestAbsurdFiles(t *testing.T) {
	deep := strings.Repeat("[", 5<<20)
	head := "{\n  \"fourwire\": \"record/1\", \"verdicts\": ["
	rows := "point,time_s,status\n" + strings.Repeat("1,1,ok\n", 20000)
	for _, c := range []struct {
		what, file, content string
		size                int64 // the file goes on with a hole up to here; 0: no
	}{
		{"a manifest of brackets", record.ManifestFile, deep, 0},
		{"a manifest of very many verdicts", record.ManifestFile, head + strings.Repeat("{},", 6<<20) + "{}]}", 0},
		{"a manifest with a hole of a terabyte", record.ManifestFile, head, 1 << 40},
		{"points with a hole of a terabyte", record.PointsFile, rows, 1 << 40},
		{"one event of brackets", record.LogFile, `{"kind":"start","a":` + deep, 0},
		{"a log with a line of 100 MB", record.LogFile, `{"kind":"start"}` + "\n", 100 << 20},
		{"terms that name nothing", record.TermsFile, `{"point":1,"inputs":[],"terms":{"vi":[[7,1],[-1,1],[1e300,2]]}}` + "\n", 0},
		{"terms of brackets", record.TermsFile, `{"terms":{"vi":` + deep + "\n", 0},
	} {
		dir := sealedRun(t, 3, false)
		path := filepath.Join(dir, c.file)
		if err := os.WriteFile(path, []byte(c.content), 0o666); err != nil {
			t.Fatal(err)
		}
		if c.size > 0 {
			if err := os.Truncate(path, c.size); err != nil {
				t.Skipf("this disk has no files with holes: %v", err)
			}
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, open := record.Open(dir)
		checked, verify := record.Check(dir)
		_, terms := record.ReadTerms(dir)
		runtime.ReadMemStats(&after)
		if took := after.TotalAlloc - before.TotalAlloc; took > 400<<20 {
			t.Errorf("%s: %d MB", c.what, took>>20)
		}
		if verify == nil && checked.Whole && terms == nil && open == nil {
			t.Errorf("%s: nothing is said", c.what)
		}
	}
}

// Any bytes in the place of a manifest: nothing panics, and one whose own hash is right is never called altered.
func FuzzManifest(f *testing.F) {
	dir := sealedRun(f, 3, true)
	data, err := os.ReadFile(filepath.Join(dir, record.ManifestFile))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"fourwire": "record/1", "columns": [{"name": "vi", "unit": "V", "kind": "measured"}]}`))
	f.Add([]byte("{\n  \"manifest_sha256\": \"" + strings.Repeat("0", 64) + "\"\n}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if m, err := record.ParseManifest(data); err == nil && m.Format != record.Version {
			t.Errorf("the format %q was taken", m.Format)
		}
		if record.OwnHash(data) && len(data) > 0 {
			other := bytes.Clone(data)
			other[len(other)/2] ^= 1
			if record.OwnHash(other) {
				t.Errorf("a flipped bit in the middle of %q is not seen", data)
			}
		}
	})
}

// Any bytes behind the start of a log: nothing panics, and what is no seal of this log is never counted as one.
func FuzzLog(f *testing.F) {
	dir := sealedRun(f, 3, false)
	log := filepath.Join(dir, record.LogFile)
	data, err := os.ReadFile(log)
	if err != nil {
		f.Fatal(err)
	}
	first := bytes.IndexByte(data, '\n') + 1
	f.Add(data[first:])
	f.Add([]byte(`{"kind":"cut","file":"points.csv","bytes":-1}` + "\n"))
	f.Add([]byte(`{"kind":"resumed","resumed":{"after":1e9},"last":1e9,"open":[1,2,3]}` + "\n"))
	f.Add([]byte(`{"level":"x","kind":"seal","message":"seal 1","seal":1,"files":{"points.csv":{"bytes":-5}},"previous":"","sha256":"00"}` + "\n"))
	f.Fuzz(func(t *testing.T, tail []byte) {
		if err := os.WriteFile(log, append(data[:first:first], tail...), 0o666); err != nil {
			t.Fatal(err)
		}
		c, err := record.Check(dir)
		if err != nil {
			return
		}
		own := 0
		for _, line := range bytes.Split(tail, []byte("\n")) {
			if n, ok := record.ParseSeal(line); ok && n > 0 {
				own++
			}
		}
		if own == 0 && c.Seals > 0 {
			t.Errorf("%d seals in %q", c.Seals, tail)
		}
		if _, err := record.Open(dir); err != nil {
			t.Logf("open: %v", err)
		}
	})
}

// Any bytes in the place of the error terms: nothing panics, and every term has an input.
func FuzzTerms(f *testing.F) {
	dir := sealedRun(f, 3, false)
	path := filepath.Join(dir, record.TermsFile)
	data, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"point":1,"inputs":[{"id":0,"name":"x"}],"terms":{"vi":[[0,1e-3],[0]]}}` + "\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		terms, err := record.ReadTerms(dir)
		if err != nil {
			return
		}
		for _, columns := range terms {
			for name, list := range columns {
				for _, one := range list {
					if one.Input == nil {
						t.Errorf("%s has a term without an input", name)
					}
				}
			}
		}
	})
}
