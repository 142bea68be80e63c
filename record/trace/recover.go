package trace

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
)

// Recovered is what was done with a recording that was cut off.
type Recovered struct {
	Name    string
	Samples int64
	Text    string // in words
}

// Recover finishes every trace in dir whose recording was cut off, as not complete. A raw file of which nothing can be read stays where it is,
// and is told in the error with those that could be recovered beside it.
func Recover(dir string) ([]Recovered, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []Recovered
	var all error
	for _, e := range entries {
		name, raw := strings.CutSuffix(e.Name(), RawSuffix)
		if !raw || !e.Type().IsRegular() || checkName(name) != nil {
			continue
		}
		one, err := recoverOne(dir, name)
		if err != nil {
			all = errors.Join(all, fmt.Errorf("trace %s cannot be recovered: %w", name, err))
			continue
		}
		out = append(out, one)
	}
	return out, all
}

func recoverOne(dir, name string) (Recovered, error) {
	if t, err := Open(dir, name); err == nil { // it was cut off between the last file and the removal of the first
		err := t.openColumns()
		one := Recovered{name, t.Samples(), fmt.Sprintf("trace %s was whole already; its raw file was removed", name)}
		if err = errors.Join(err, t.Close()); err == nil {
			return one, os.Remove(filepath.Join(dir, name+RawSuffix))
		}
	}
	why := "the recording was cut off; what had reached the disk was kept"
	f, err := finish(dir, name, Statement{Why: []string{why}, CoulombsCounted: math.NaN()}, nil)
	if err != nil {
		return Recovered{}, err
	}
	text := fmt.Sprintf("the recording of trace %s was cut off: %d samples were kept", name, f.Samples)
	for _, more := range f.Statement.Why[1:] {
		text += "; " + more
	}
	return Recovered{name, f.Samples, text}, nil
}
