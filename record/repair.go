package record

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// tornSuffix marks a file that keeps what was cut off the end of another.
const tornSuffix = ".torn"

// Repair makes a record that was cut off whole again: torn last lines are cut off, and kept in a file beside theirs (points.csv.torn), and a
// record without a manifest gets one, which says that it was rebuilt. What was done is told in words; nothing is done to a record that is
// whole. A record that somebody still writes gives ErrBusy.
func Repair(dir, tool string, now time.Time) (done []string, err error) {
	if _, err := os.Lstat(filepath.Join(dir, LogFile)); errors.Is(err, fs.ErrNotExist) {
		return nil, nil // what there is without a log is said by Open
	}
	lock, err := lockRecord(dir)
	if err != nil {
		return nil, err
	}
	defer lock.Close()
	data, err := readManifestFile(dir)
	if err != nil || data != nil {
		return nil, err // it has an end, or it was altered: nothing may be touched
	}
	for _, name := range []string{PointsFile, TermsFile, WireFile, LogFile} {
		cut, err := cutTorn(dir, name)
		if err != nil {
			return done, err
		}
		if cut > 0 {
			done = append(done, fmt.Sprintf("%s ended in the middle of a line: its last %d bytes were moved to %s", name, cut, name+tornSuffix))
		}
	}
	recovered, err := recoverTraces(dir)
	if err != nil {
		return done, err
	}
	done = append(done, recovered...)
	r, err := Open(dir)
	if err != nil {
		return done, err
	}
	r.Manifest.Rebuilt = &Rebuilt{At: now.Round(0), Tool: tool}
	c, err := Check(dir)
	if err != nil {
		return done, err
	}
	r.Seals, r.LastSeal = c.Seals, c.LastSeal
	if err := writeManifest(dir, &r.Manifest); err != nil {
		return done, err
	}
	done = append(done, fmt.Sprintf("the run was cut off: %s was rebuilt from its log, with %d points", ManifestFile, r.Points))
	for _, d := range c.Differences {
		done = append(done, "before that, "+d.Text)
	}
	return done, nil
}

// cutTorn cuts a file back to its last whole line and gives how many bytes that were.
func cutTorn(dir, name string) (cut int64, err error) {
	f, err := readInside(dir, name)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, fmt.Errorf("record %s: %w", name, err)
	}
	end, err := lastLine(f, info.Size())
	if err != nil {
		return 0, fmt.Errorf("record %s: %w", name, err)
	}
	return cutBack(dir, name, end)
}

// lastLine is where the last whole line among the first bytes of a file ends.
func lastLine(f io.ReaderAt, at int64) (int64, error) {
	block := make([]byte, 64<<10)
	for at > 0 {
		n := min(at, int64(len(block)))
		if _, err := f.ReadAt(block[:n], at-n); err != nil {
			return 0, err
		}
		if k := bytes.LastIndexByte(block[:n], '\n'); k >= 0 {
			return at - n + int64(k) + 1, nil
		}
		at -= n
	}
	return 0, nil
}

// cutBack shortens a file to so many bytes. What it loses is kept beside it first.
func cutBack(dir, name string, to int64) (cut int64, err error) {
	f, err := readInside(dir, name)
	if err != nil {
		return 0, fmt.Errorf("record: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || info.Size() <= to {
		return 0, err
	}
	beside := filepath.Join(dir, name+tornSuffix)
	if had, err := os.Lstat(beside); err == nil && !had.Mode().IsRegular() {
		return 0, &NotAFileError{Name: name + tornSuffix}
	}
	out, err := os.OpenFile(beside, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o666)
	if err != nil {
		return 0, fmt.Errorf("record: %w", err)
	}
	_, err = io.Copy(out, io.NewSectionReader(f, to, info.Size()-to))
	if err == nil {
		_, err = out.Write([]byte("\n"))
	}
	err = errors.Join(err, out.Sync(), out.Close())
	if err == nil {
		err = os.Truncate(filepath.Join(dir, name), to)
	}
	if err != nil {
		return 0, fmt.Errorf("record %s cannot be cut back: %w", name, full(err))
	}
	return info.Size() - to, syncFolder(dir)
}

// brokenOff is how the reason of a point that a run could not finish begins.
const brokenOff = "broken off: "

// BrokenOff is the reason of a point that was under way when its run ended: such a point is measured again when the run goes on.
func BrokenOff(why error) string { return brokenOff + why.Error() }

func isBrokenOff(p Point) bool {
	return !p.Valid && strings.Contains(p.Why, brokenOff)
}
