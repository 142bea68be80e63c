package trace_test

import (
	"bytes"
	"errors"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fourwire/record/trace"
)

// small writes a raw file of some chunks of 40 samples each, with a gap, and gives its bytes and where each chunk ends.
func small(t testing.TB) (raw []byte, ends []int) {
	t.Helper()
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	g := rand.New(rand.NewPCG(5, 5))
	for n := range 8 {
		b := &trace.Samples{Start: int64(40 * n), Count: 40, Values: make([][]float32, 2), Runs: [][]trace.Run{{{At: 0, Range: 2}, {At: 11, Range: 0}}, {{}}}}
		if n > 4 {
			b.Start += 1000
		}
		for k := range 40 {
			x := float32(0.05)
			if k >= 11 {
				x = 2e-6
			}
			b.Values[0], b.Values[1] = append(b.Values[0], x*g.Float32()), append(b.Values[1], 3*g.Float32())
		}
		if n == 0 {
			if info, err := os.Stat(filepath.Join(dir, "day.raw")); err == nil {
				ends = append(ends, int(info.Size()))
			}
		}
		if err := w.Append(b); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(filepath.Join(dir, "day.raw"))
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, int(info.Size()))
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(filepath.Join(dir, "day.raw"))
	if err != nil {
		t.Fatal(err)
	}
	return raw, ends
}

// Wherever a raw file is cut off, all whole chunks before are read, and what is torn is counted.
func TestARawFileCutAnywhere(t *testing.T) {
	raw, ends := small(t)
	_, want, _, _, err := trace.ReadRaw(raw)
	if err != nil || len(want) != 8 {
		t.Fatal(len(want), err)
	}
	for n := 0; n <= len(raw); n++ {
		_, got, damaged, torn, err := trace.ReadRaw(raw[:n])
		if n < ends[0] {
			if err == nil {
				t.Fatalf("cut to %d bytes, without its head: read", n)
			}
			continue
		}
		whole := 0
		for whole+1 < len(ends) && ends[whole+1] <= n {
			whole++
		}
		if err != nil || !reflect.DeepEqual(got, want[:whole:whole]) && whole > 0 || len(got) != whole || damaged != 0 || torn != int64(n-ends[whole]) {
			t.Fatalf("cut to %d bytes: %d chunks, %d damaged, %d torn, %v; want %d chunks", n, len(got), damaged, torn, err, whole)
		}
	}
}

// A flipped bit costs the chunk that it is in and nothing else, and is counted.
func TestARawFileWithAFlippedBit(t *testing.T) {
	raw, ends := small(t)
	_, want, _, _, err := trace.ReadRaw(raw)
	if err != nil {
		t.Fatal(err)
	}
	for at := range raw {
		changed := bytes.Clone(raw)
		changed[at] ^= 1 << (at % 8)
		_, got, damaged, torn, err := trace.ReadRaw(changed)
		if at < ends[0] {
			if err == nil {
				t.Fatalf("byte %d of the head was changed, and it was read", at)
			}
			continue
		}
		in := 0
		for ends[in+1] <= at {
			in++
		}
		if err != nil || !reflect.DeepEqual(got, slices.Concat(want[:in], want[in+1:])) || damaged+torn != int64(ends[in+1]-ends[in]) {
			t.Fatalf("byte %d, in chunk %d, was changed: %d chunks, %d damaged, %d torn, %v", at, in, len(got), damaged, torn, err)
		}
	}
}

// A chunk that was there already is not believed a second time.
func TestARawFileThatGoesBack(t *testing.T) {
	raw, ends := small(t)
	_, got, damaged, torn, err := trace.ReadRaw(slices.Concat(raw[:ends[3]], raw[ends[1]:]))
	if err != nil || len(got) != 8 || damaged != int64(ends[3]-ends[1]) || torn != 0 {
		t.Errorf("%d chunks, %d damaged, %d torn, %v", len(got), damaged, torn, err)
	}
}

// What was cut off is finished as not complete, with the damage as a gap; recovering again does nothing.
func TestRecover(t *testing.T) {
	raw, ends := small(t)
	for _, c := range []struct {
		name    string
		raw     []byte
		samples int64
		gaps    []trace.Gap
		why     int
	}{
		{"whole", raw, 320, []trace.Gap{{Start: 200, Count: 1000}}, 1},
		{"torn", raw[:ends[7]+5], 280, []trace.Gap{{Start: 200, Count: 1000}}, 2},
		{"damaged", slices.Concat(raw[:ends[2]+20], []byte{0x55}, raw[ends[2]+21:]), 280, []trace.Gap{{Start: 80, Count: 40}, {Start: 200, Count: 1000}}, 2},
		{"nothing yet", raw[:ends[0]], 0, []trace.Gap{}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "day.raw"), c.raw, 0o666); err != nil {
				t.Fatal(err)
			}
			if _, err := trace.Open(dir, "day"); !errors.Is(err, trace.ErrUnfinished) {
				t.Errorf("opened before: %v", err)
			}
			list, err := trace.Recover(dir)
			if err != nil || len(list) != 1 || list[0].Samples != c.samples {
				t.Fatalf("%+v, %v", list, err)
			}
			r := open(t, dir, "day")
			s := r.Statement()
			if s.Complete || s.Received != c.samples || len(s.Why) != c.why || !math.IsNaN(s.CoulombsCounted) {
				t.Errorf("%+v", s)
			}
			if diff := cmp.Diff(c.gaps, s.Gaps); diff != "" {
				t.Error(diff)
			}
			n := 0
			for b, err := range r.Blocks(nil, 0, r.Len()) {
				if err != nil {
					t.Fatal(err)
				}
				n += b.Count
			}
			if int64(n) != c.samples {
				t.Errorf("%d samples come back", n)
			}
			if list, err := trace.Recover(dir); len(list) > 0 || err != nil {
				t.Errorf("again: %+v, %v", list, err)
			}
			if names, err := trace.Names(dir); err != nil || !slices.Equal(names, []string{"day"}) {
				t.Errorf("%q, %v", names, err)
			}
		})
	}
}

// What was cut off between the last file and the removal of the raw one is whole; a raw file that is none stays for whoever looks.
func TestRecoverWhatIsWholeOrHopeless(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	recorded(t, w, 500, 3, 0)
	raw, err := os.ReadFile(filepath.Join(dir, "day.raw"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(trace.Statement{Complete: true}); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(filepath.Join(dir, "day.raw"), raw, 0o666), os.WriteFile(filepath.Join(dir, "night.raw"), []byte("fourwire"), 0o666),
		os.WriteFile(filepath.Join(dir, "dusk.raw"), raw, 0o666)); err != nil {
		t.Fatal(err)
	}
	list, err := trace.Recover(dir)
	if err == nil || len(list) != 1 || list[0].Name != "day" {
		t.Errorf("%+v, %v", list, err)
	}
	if !open(t, dir, "day").Statement().Complete {
		t.Error("what was whole is said not to be")
	}
	left, _ := filepath.Glob(filepath.Join(dir, "*"))
	for i := range left {
		left[i] = filepath.Base(left[i])
	}
	if !slices.Equal(left, []string{"day.json", "day.parquet", "day.pyramid", "dusk.raw", "night.raw"}) {
		t.Errorf("%q are left", left)
	}
	if list, err := trace.Recover(filepath.Join(dir, "nowhere")); list != nil || err != nil {
		t.Error(list, err)
	}
}

// everything is all that can be read of a trace.
func everything(dir string) (out []any, err error) {
	r, err := trace.Open(dir, "day")
	if err != nil {
		return nil, err
	}
	defer r.Close()
	for b, err := range r.Blocks(nil, 0, r.Len()) {
		if err != nil {
			return nil, err
		}
		one := trace.Samples{Start: b.Start, Count: b.Count}
		for i := range b.Values {
			one.Values, one.Runs = append(one.Values, slices.Clone(b.Values[i])), append(one.Runs, slices.Clone(b.Runs[i]))
		}
		out = append(out, one)
	}
	for s := range r.Head().Signals {
		whole, err := r.Span(s, 0, r.Len())
		if err != nil {
			return nil, err
		}
		bins, err := r.Zoom(s, r.Len()/3, r.Len(), 3, nil)
		if err != nil {
			return nil, err
		}
		out = append(out, whole, bins)
	}
	return out, nil
}

// A flipped bit in the samples or the pyramid is an error or changes nothing that is read; never other numbers, never a panic.
func TestAFlippedBitIsNeverAnotherNumber(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	recorded(t, w, 5000, 13, 0.2)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	want, err := everything(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{trace.ParquetSuffix, trace.PyramidSuffix} {
		path := filepath.Join(dir, "day"+suffix)
		was, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		flips := 100
		if os.Getenv("FOURWIRE_LONG") != "" {
			flips = 5000
		}
		step := max(1, len(was)/flips)
		for at := 0; at < len(was); at += step {
			changed := bytes.Clone(was)
			changed[at] ^= 1 << (at / step % 8)
			if err := os.WriteFile(path, changed, 0o666); err != nil {
				t.Fatal(err)
			}
			got, err := everything(dir)
			if err != nil {
				found++
			} else if diff := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmp.AllowUnexported(trace.Sum{})); diff != "" {
				t.Fatalf("%s: byte %d of %d was changed: %s", suffix, at, len(was), diff)
			}
		}
		tried := (len(was) + step - 1) / step
		t.Logf("%s: %d of %d flipped bits were found, the others change nothing", suffix, found, tried)
		if suffix == trace.PyramidSuffix && found < tried {
			t.Errorf("%d of %d flipped bits of the pyramid were found", found, tried)
		}
		for _, n := range []int{0, 1, 7, 4095, 4096, len(was) / 2, len(was) - 1} {
			if n >= len(was) {
				continue
			}
			if err := os.WriteFile(path, was[:n], 0o666); err != nil {
				t.Fatal(err)
			}
			if _, err := everything(dir); err == nil {
				t.Errorf("%s of %d bytes was cut to %d and read", suffix, len(was), n)
			}
		}
		if err := os.WriteFile(path, was, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	// the files of another trace are no substitute
	other := t.TempDir()
	w = create(t, other, head("day"))
	recorded(t, w, 4000, 14, 0)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{trace.ParquetSuffix, trace.PyramidSuffix} {
		was, err := os.ReadFile(filepath.Join(dir, "day"+suffix))
		if err != nil {
			t.Fatal(err)
		}
		is, err := os.ReadFile(filepath.Join(other, "day"+suffix))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "day"+suffix), is, 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := everything(dir); err == nil {
			t.Errorf("%s of another trace was read", suffix)
		}
		if err := errors.Join(os.Remove(filepath.Join(dir, "day"+suffix)), os.Symlink(filepath.Join(other, "day"+suffix), filepath.Join(dir, "day"+suffix))); err != nil {
			t.Skip(err)
		}
		if _, err := everything(dir); err == nil {
			t.Errorf("%s was read through a link", suffix)
		}
		if err := errors.Join(os.Remove(filepath.Join(dir, "day"+suffix)), os.WriteFile(filepath.Join(dir, "day"+suffix), was, 0o666)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := trace.Open(dir, "night"); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}

// The Parquet file itself has no checksum behind its pages, of page indices and footer. A flipped bit there is found all the same.
func TestAFlippedBitInTheIndexIsNeverAnotherNumber(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	values := make([]float32, 1000)
	for n := range 250 { // several pages, most of one range, all of them as long as the others
		for k := range values {
			values[k] = float32(n*1000+k) * 1e-6
		}
		rg := uint8(3)
		if n == 100 {
			rg = 2
		}
		if err := w.Append(&trace.Samples{Start: int64(n * 1000), Count: 1000, Values: [][]float32{values, values}, Runs: [][]trace.Run{{{Range: rg}}, {{}}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	parts := func() (out []any, err error) {
		for _, from := range []int64{0, 70_000, 131_072, 249_000} {
			r, err := trace.Open(dir, "day")
			if err != nil {
				return nil, err
			}
			for b, err := range r.Blocks(nil, from, from+1000) {
				if err != nil {
					return nil, errors.Join(err, r.Close())
				}
				for s := range b.Values {
					out = append(out, b.Start, slices.Clone(b.Values[s]), slices.Clone(b.Runs[s]))
				}
			}
			if err := r.Close(); err != nil {
				return nil, err
			}
		}
		return out, nil
	}
	want, err := parts()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "day.parquet")
	was, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	begin := bytes.Index(was, []byte("interval_s")) - 2000 // indices and footer are before and around it
	step := 101
	if os.Getenv("FOURWIRE_LONG") != "" {
		step = 1
	}
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	found, tried := 0, 0
	for bit := max(0, begin) * 8; bit < len(was)*8; bit += step {
		if _, err := f.WriteAt([]byte{was[bit/8] ^ 1<<(bit%8)}, int64(bit/8)); err != nil {
			t.Fatal(err)
		}
		got, err := parts()
		if tried++; err != nil {
			found++
		} else if !reflect.DeepEqual(got, want) || bit/8 > begin+2000 {
			t.Fatalf("bit %d of byte %d of %d was changed, and nothing was said", bit%8, bit/8, len(was))
		}
		if _, err := f.WriteAt(was[bit/8:bit/8+1], int64(bit/8)); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d of %d flipped bits were found, the others change nothing", found, tried)
}
