package fleet_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/fleet"
	"fourwire/daemon/queue"
)

// archive makes one of headers, each followed by the name as its content where it is a file.
func archive(t testing.TB, headers ...tar.Header) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	w := tar.NewWriter(z)
	for _, h := range headers {
		if h.Typeflag == tar.TypeReg {
			h.Size = int64(len(h.Name))
		}
		if err := w.WriteHeader(&h); err != nil {
			t.Fatal(err)
		}
		if h.Typeflag == tar.TypeReg {
			if _, err := w.Write([]byte(h.Name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// tree is what is in a folder, by name.
func tree(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(p)
		name, _ := filepath.Rel(dir, p)
		out[filepath.ToSlash(name)] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A folder comes back as it was, but for links, which are not followed.
func TestPackAndUnpack(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	for name, text := range map[string]string{"record.json": "{}", "traces/i.parquet": "\x00\x01", "inputs/a/b.yaml": "a: 1\n", "empty": ""} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(from, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(from, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want := tree(t, from)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(secret, filepath.Join(from, "link")); err != nil {
		t.Log(err) // a system may not let everybody make links
	}
	var b bytes.Buffer
	if err := fleet.Pack(&b, from); err != nil {
		t.Fatal(err)
	}
	if err := fleet.Unpack(&b, to); err != nil {
		t.Fatal(err)
	}
	got := tree(t, to)
	if len(got) != len(want) {
		t.Errorf("%v, want %v", got, want)
	}
	for name, text := range want {
		if got[name] != text {
			t.Errorf("%s: %q, want %q", name, got[name], text)
		}
	}
}

// What would leave the folder is refused: the ways are those of CWE-22 and CWE-59.
func TestHostileArchives(t *testing.T) {
	for name, headers := range map[string][]tar.Header{
		"upwards":            {{Typeflag: tar.TypeReg, Name: "../out"}},
		"upwards in between": {{Typeflag: tar.TypeReg, Name: "a/../../out"}},
		"absolute":           {{Typeflag: tar.TypeReg, Name: "/tmp/out"}},
		"backslash":          {{Typeflag: tar.TypeReg, Name: `..\out`}},
		"drive":              {{Typeflag: tar.TypeReg, Name: `C:out`}},
		"link":               {{Typeflag: tar.TypeSymlink, Name: "a", Linkname: ".."}, {Typeflag: tar.TypeReg, Name: "a/out"}},
		"hard link":          {{Typeflag: tar.TypeLink, Name: "a", Linkname: "../out"}},
		"device":             {{Typeflag: tar.TypeChar, Name: "a"}},
		"twice":              {{Typeflag: tar.TypeReg, Name: "a"}, {Typeflag: tar.TypeReg, Name: "a"}},
		"file as folder":     {{Typeflag: tar.TypeReg, Name: "a"}, {Typeflag: tar.TypeReg, Name: "a/b"}},
	} {
		parent := t.TempDir()
		dir := filepath.Join(parent, "record")
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := fleet.Unpack(bytes.NewReader(archive(t, headers...)), dir); err == nil {
			t.Errorf("%s: taken", name)
		}
		entries, err := os.ReadDir(parent)
		if err != nil || len(entries) != 1 {
			t.Errorf("%s: %v %v", name, entries, err)
		}
	}
}

// Whatever arrives, nothing is written outside the folder, and what is taken comes out of Pack again.
func FuzzUnpack(f *testing.F) {
	f.Add([]byte{})
	f.Add(archive(f, tar.Header{Typeflag: tar.TypeReg, Name: "record.json"}))
	f.Add(archive(f, tar.Header{Typeflag: tar.TypeReg, Name: "../x"}))
	whole := archive(f, tar.Header{Typeflag: tar.TypeReg, Name: "a/b"}, tar.Header{Typeflag: tar.TypeReg, Name: "c"})
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Fuzz(func(t *testing.T, data []byte) {
		parent := t.TempDir()
		dir := filepath.Join(parent, "record")
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		err := fleet.Unpack(bytes.NewReader(data), dir)
		entries, failed := os.ReadDir(parent)
		if failed != nil || len(entries) != 1 {
			t.Fatalf("%v %v", entries, failed)
		}
		if err == nil {
			var b bytes.Buffer
			if err := fleet.Pack(&b, dir); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// archivist is a member that has records.
type archivist struct {
	*bench
	dir   string
	filed []string
}

func (a *archivist) Copied(queue.Job) bool          { return false }
func (a *archivist) Staging(string) (string, error) { return os.MkdirTemp(a.dir, "staging-*") }
func (a *archivist) File(j queue.Job, dir string) error {
	a.filed = append(a.filed, j.Record())
	return os.Rename(dir, filepath.Join(a.dir, j.Record()))
}

// A record whose bytes have changed in the store is not filed, and nothing is left of it; one that is as it was put there is. The digest is the one that
// the object store keeps: SHA-256 of all chunks, by its published design (ADR-20).
func TestFetchedRecordIsHeldAgainstItsDigest(t *testing.T) {
	s := station(t)
	m := &archivist{bench: &bench{fits: fitsAll, jobs: map[string]queue.Job{}}, dir: t.TempDir()}
	o := options(s, "a", m)
	lab, err := fleet.New(o)
	if err != nil {
		t.Fatal(err)
	}
	m.lab = lab
	if err := lab.Join(t.Context(), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var over sync.WaitGroup
	over.Go(func() { lab.Run(ctx) })
	defer func() { cancel(); over.Wait() }()
	until(t, func() bool { return lab.Reachable() == "" })

	conn, err := nats.Connect("nats://" + s.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	records, err := js.ObjectStore(ctx, "fourwire-records")
	if err != nil {
		t.Fatal(err)
	}
	data := archive(t, tar.Header{Typeflag: tar.TypeReg, Name: "record.json"}, tar.Header{Typeflag: tar.TypeReg, Name: "points.csv"})
	for _, name := range []string{"good", "altered"} {
		if _, err := records.PutBytes(ctx, name, data); err != nil {
			t.Fatal(err)
		}
	}
	info, err := records.GetInfo(ctx, "altered")
	if err != nil {
		t.Fatal(err)
	}
	other := archive(t, tar.Header{Typeflag: tar.TypeReg, Name: "record.json"}, tar.Header{Typeflag: tar.TypeReg, Name: "points.csu"}) // a whole archive, too
	stream, err := js.Stream(ctx, "OBJ_fourwire-records")
	if err != nil {
		t.Fatal(err)
	}
	chunk := "$O.fourwire-records.C." + info.NUID
	if err := stream.Purge(ctx, jetstream.WithPurgeSubject(chunk)); err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(ctx, chunk, other); err != nil {
		t.Fatal(err)
	}
	if err := lab.Fetch(ctx, leaving("good")); err != nil {
		t.Error(err)
	}
	if err := lab.Fetch(ctx, leaving("altered")); !errors.Is(err, jetstream.ErrDigestMismatch) {
		t.Errorf("an altered record: %v", err)
	}
	if err := lab.Fetch(ctx, leaving("none")); !errors.Is(err, fleet.ErrNoCopy) {
		t.Error(err)
	}
	entries, err := os.ReadDir(m.dir)
	if err != nil || len(entries) != 1 || entries[0].Name() != "good" || len(m.filed) != 1 {
		t.Errorf("%v %v %v", entries, m.filed, err)
	}
}

// leaving is a job that left a record.
func leaving(record string) queue.Job {
	return queue.Job{Attempts: []queue.Attempt{{Record: record}}}
}
