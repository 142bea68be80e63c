package record

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"fourwire/record/trace"
)

// Put keeps a file of the run: "analysis/day.drain.json", "emulation/feed.json". It is there whole or not at all, and its hash is in the log.
// One of the same name is replaced.
func (w *Writer) Put(name string, data []byte) error {
	return w.PutFrom(name, func(to io.Writer) error {
		_, err := to.Write(data)
		return err
	})
}

// PutFrom is Put for what is better not in memory as a whole.
func (w *Writer) PutFrom(name string, write func(io.Writer) error) error {
	folder, base, _ := strings.Cut(name, "/")
	if folder != AnalysisFolder && folder != EmulationFolder || base != cleanName(base) || strings.HasPrefix(base, ".") || strings.HasSuffix(base, besideSuffix) {
		return fmt.Errorf("record: %q cannot be kept: it is to be %s/NAME or %s/NAME", name, AnalysisFolder, EmulationFolder)
	}
	if err := mkdirInside(w.dir, folder); err != nil {
		return fmt.Errorf("record: %w", full(err))
	}
	return w.put(name, write)
}

// put keeps a file whose folder is there.
func (w *Writer) put(name string, write func(io.Writer) error) error {
	path := filepath.Join(w.dir, filepath.FromSlash(name))
	beside := path + besideSuffix
	file, err := writeHashed(beside, write)
	if err != nil {
		_ = os.Remove(beside)
		return fmt.Errorf("record %s: %w", name, full(err))
	}
	file.Path = name
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := w.forget(name); err != nil {
		return err
	}
	if err := os.Rename(beside, path); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	return errors.Join(syncFolder(filepath.Dir(path)), w.tellKept(file, nil))
}

// writeHashed writes a file anew, hands it to the disk and says what is in it.
func writeHashed(path string, write func(io.Writer) error) (File, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return File{}, err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return File{}, err
	}
	sum, buf := sha256.New(), bufio.NewWriterSize(f, 1<<18)
	count := &counted{to: io.MultiWriter(buf, sum)}
	err = errors.Join(write(count), buf.Flush())
	if err == nil {
		err = dataSync(f)
	}
	return File{Bytes: count.n, SHA256: hex.EncodeToString(sum.Sum(nil))}, errors.Join(err, f.Close())
}

type counted struct {
	to io.Writer
	n  int64
}

func (c *counted) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += int64(n)
	return n, err
}

// forget says in the log that a file is about to be another one. The caller holds the lock.
func (w *Writer) forget(name string) error {
	if _, err := os.Lstat(filepath.Join(w.dir, filepath.FromSlash(name))); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return w.entry("debug", kindKept, name+" is being replaced", map[string]any{"path": name})
}

// tellKept puts the hash of a file into the log. The caller holds the lock.
func (w *Writer) tellKept(f File, more map[string]any) error {
	fields := map[string]any{"path": f.Path, "bytes": f.Bytes, "sha256": f.SHA256}
	for name, v := range more {
		fields[name] = v
	}
	return errors.Join(w.entry("info", kindKept, f.Path, fields), w.sealWhenDue())
}

// Trace starts a trace, in the folder traces. It is handed to the disk about once a second while something is appended. A run that goes on may
// record one again that it has: what was there is moved into the folder earlier.
func (w *Writer) Trace(h trace.Head) (*trace.Writer, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done {
		return nil, errors.New("record: finished already")
	}
	if err := mkdirInside(w.dir, TracesFolder); err != nil {
		return nil, fmt.Errorf("record: %w", full(err))
	}
	had, err := trace.Files(filepath.Join(w.dir, TracesFolder), h.Name)
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	if len(had) > 0 && w.resumed && w.traces[h.Name] == nil {
		if err := w.putTraceAside(had); err != nil {
			return nil, err
		}
	}
	t, err := trace.Options{Written: w.syncing.soon, Failed: full}.Create(filepath.Join(w.dir, TracesFolder), h)
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	if w.traces == nil {
		w.traces = map[string]*trace.Writer{}
	}
	w.traces[h.Name] = t
	return t, w.entry("info", kindRecording, "recording "+h.Name, map[string]any{"trace": t.Head()})
}

// putTraceAside moves the files of a trace into the folder earlier, under a number that all of them have free.
func (w *Writer) putTraceAside(files []string) error {
	folder := filepath.Join(w.dir, earlierFolder)
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	for n := 1; n < maxFiles; n++ {
		taken := false
		for _, name := range files {
			_, err := os.Lstat(filepath.Join(folder, numbered(name, n)))
			taken = taken || err == nil
		}
		if taken {
			continue
		}
		for _, name := range files {
			if err := w.forget(TracesFolder + "/" + name); err != nil {
				return err
			}
			if err := os.Rename(filepath.Join(w.dir, TracesFolder, name), filepath.Join(folder, numbered(name, n))); err != nil {
				return fmt.Errorf("record: %w", err)
			}
		}
		return errors.Join(syncFolder(folder), syncFolder(filepath.Join(w.dir, TracesFolder)))
	}
	return errors.New("record: there are too many earlier traces")
}

func numbered(name string, n int) string {
	ext := filepath.Ext(name)
	return fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ext), n, ext)
}

// FinishTrace finishes a trace that Trace has started, and puts the hashes of its files into the log, with what is stated.
func (w *Writer) FinishTrace(t *trace.Writer, s trace.Statement) error {
	if err := t.Finish(s); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	name := t.Head().Name
	w.mu.Lock()
	delete(w.traces, name)
	w.mu.Unlock()
	return w.tellTrace(name)
}

// tellTrace puts the hashes of a finished trace into the log.
func (w *Writer) tellTrace(name string) error {
	for _, suffix := range []string{trace.ParquetSuffix, trace.PyramidSuffix, trace.HeadSuffix} {
		path := TracesFolder + "/" + name + suffix
		f, err := hashFile(w.dir, path, -1) // not under the lock: it may take seconds
		if err != nil {
			return fmt.Errorf("record %s: %w", path, err)
		}
		w.mu.Lock()
		err = w.tellKept(f, nil)
		w.mu.Unlock()
		if err != nil {
			return err
		}
	}
	return nil
}

// finishTraces finishes what is still being recorded when a run ends.
func (w *Writer) finishTraces() error {
	w.mu.Lock()
	left := make([]*trace.Writer, 0, len(w.traces))
	for _, t := range w.traces {
		left = append(left, t)
	}
	w.mu.Unlock()
	var all error
	for _, t := range left {
		all = errors.Join(all, w.FinishTrace(t, trace.Statement{Why: []string{"the run ended while it was being recorded"}}))
	}
	return all
}

// recoverTraces finishes traces whose recording was cut off, and says what was done.
func recoverTraces(dir string) (done []string, err error) {
	if info, err := os.Lstat(filepath.Join(dir, TracesFolder)); err != nil || !info.IsDir() {
		return nil, nil // there are none, or it is a link
	}
	list, err := trace.Recover(filepath.Join(dir, TracesFolder))
	for _, r := range list {
		done = append(done, r.Text)
	}
	if err != nil { // what cannot be recovered stays as it is; the rest of the record is worth as much as before
		done = append(done, err.Error())
	}
	return done, nil
}
