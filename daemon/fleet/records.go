package fleet

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/queue"
)

const (
	shipWithin  = 10 * time.Minute
	maxUnpacked = 64 << 30
	maxFiles    = 100_000
	metaBench   = "bench"
	metaJob     = "job"
	shipAgain   = 5 * time.Second
)

// ErrNoCopy says that the lab's store does not have a record.
var ErrNoCopy = errors.New("the lab's store has no copy of the record")

// keepShipping copies the records of this bench's jobs to the lab's store.
func (l *Lab) keepShipping(ctx context.Context) {
	if l.options.Hub {
		return
	}
	l.every(ctx, shipAgain, l.wakeShip, func(ctx context.Context) {
		if l.Reachable() != "" {
			return
		}
		l.mu.Lock()
		var list []queue.Job
		for _, j := range l.jobs {
			if j.Holder == l.options.Name && j.State.Ended() && !j.Lost && !j.Copied && j.Record() != "" && !l.empty[j.ID] {
				list = append(list, j)
			}
		}
		l.mu.Unlock()
		for _, j := range list {
			if ctx.Err() != nil {
				return
			}
			if err := l.ship(ctx, j); err != nil && ctx.Err() == nil {
				l.log("warn", "a record could not be copied to the lab's store; it is tried again", map[string]any{"record": j.Record(), "error": err.Error()})
			}
		}
	})
}

func (l *Lab) ship(ctx context.Context, j queue.Job) error {
	ctx, cancel := l.clock.WithTimeout(ctx, shipWithin)
	defer cancel()
	dir, err := l.options.Member.Folder(j.Record())
	if errors.Is(err, fs.ErrNotExist) {
		l.mu.Lock()
		l.empty[j.ID] = true
		l.mu.Unlock()
		return nil
	}
	if err != nil {
		return err
	}
	from, to := io.Pipe()
	go func() { to.CloseWithError(Pack(to, dir)) }()
	info, err := l.records.Put(ctx, jetstream.ObjectMeta{Name: j.Record(), Metadata: map[string]string{metaBench: l.options.Name, metaJob: j.ID}}, from)
	_ = from.CloseWithError(errors.New("not wanted any more")) // ends the packing where the store has given up
	if err != nil {
		return err
	}
	l.log("info", "record copied to the lab's store", map[string]any{"record": j.Record(), "bytes": info.Size, "digest": info.Digest})
	l.own.Lock()
	defer l.own.Unlock()
	now, err := l.fresh(ctx, j.ID)
	if err != nil || now.Holder != l.options.Name || now.Epoch != j.Epoch || now.Record() != j.Record() {
		return err
	}
	now.Copied = true
	_, err = l.put(ctx, now)
	return err
}

// keepFetching has a hub take in what is in the lab's store.
func (l *Lab) keepFetching(ctx context.Context) {
	if !l.options.Hub {
		return
	}
	l.every(ctx, shipAgain, l.wakeFetch, func(ctx context.Context) {
		if l.Reachable() != "" {
			return
		}
		l.mu.Lock()
		var list []queue.Job
		for _, j := range l.jobs {
			if j.Copied && j.Record() != "" {
				list = append(list, j)
			}
		}
		l.mu.Unlock()
		slices.SortFunc(list, func(a, b queue.Job) int { return a.Ended.Compare(b.Ended) }) // one that went on in a record comes behind the other
		for _, j := range list {
			if ctx.Err() != nil {
				return
			}
			if l.options.Member.Copied(j) {
				continue
			}
			if err := l.Fetch(ctx, j); err != nil && ctx.Err() == nil && !errors.Is(err, ErrNoCopy) {
				l.log("warn", "a record could not be fetched from the lab's store; it is tried again", map[string]any{"record": j.Record(), "error": err.Error()})
			}
		}
	})
}

// Fetch takes the record of a job from the lab's store. What arrives is held against its digest, file by file against the record's own hashes, and only
// then filed.
func (l *Lab) Fetch(ctx context.Context, j queue.Job) error {
	if l.Reachable() != "" {
		return ErrUnreachable
	}
	l.fetching.Lock()
	defer l.fetching.Unlock()
	if l.options.Member.Copied(j) {
		return nil
	}
	ctx, cancel := l.clock.WithTimeout(ctx, shipWithin)
	defer cancel()
	object, err := l.records.Get(ctx, j.Record())
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return ErrNoCopy
	}
	if err != nil {
		return err
	}
	defer func() { _ = object.Close() }() // it was only read
	dir, err := l.options.Member.Staging(j.Record())
	if err != nil {
		return err
	}
	err = Unpack(object, dir)
	if err == nil {
		_, err = io.Copy(io.Discard, object) // the digest is looked at when its end has been read
	}
	if err == nil {
		err = l.options.Member.File(j, dir)
	}
	if err != nil {
		return errors.Join(err, os.RemoveAll(dir))
	}
	return nil
}

// Pack writes the folder of a record as a compressed archive.
func Pack(w io.Writer, dir string) error {
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }() // it was only read
	t := tar.NewWriter(z)
	err = fs.WalkDir(root.FS(), ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err // nothing but files; no link is followed
		}
		f, err := root.Open(filepath.FromSlash(name))
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }() // likewise
		info, err := f.Stat()
		if err != nil {
			return err
		}
		if err := t.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: info.Size(), Mode: 0o600, ModTime: info.ModTime(), Format: tar.FormatPAX}); err != nil {
			return err
		}
		_, err = io.CopyN(t, f, info.Size())
		return err
	})
	if err != nil {
		return err
	}
	return errors.Join(t.Close(), z.Close())
}

// Unpack reads what Pack has written into an empty folder. Nothing is written outside it, and nothing but plain files.
func Unpack(r io.Reader, dir string) error {
	z, err := gzip.NewReader(r)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }() // its files have been written
	t := tar.NewReader(z)
	var total int64
	for n := 0; ; n++ {
		h, err := t.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		total += h.Size
		switch {
		case n >= maxFiles || total > maxUnpacked:
			return fmt.Errorf("the archive is too large")
		case h.Typeflag != tar.TypeReg || !filepath.IsLocal(filepath.FromSlash(h.Name)) || strings.ContainsAny(h.Name, "\\:\x00"):
			return fmt.Errorf("the archive holds %.80q, which is no plain file below a record", h.Name)
		}
		if err := unpackFile(root, h, t); err != nil {
			return err
		}
	}
}

func unpackFile(root *os.Root, h *tar.Header, from io.Reader) error {
	name := filepath.FromSlash(h.Name)
	if err := root.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.CopyN(f, from, h.Size)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return root.Chtimes(name, h.ModTime, h.ModTime)
}
