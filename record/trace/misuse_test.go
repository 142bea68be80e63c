package trace_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fourwire/record/trace"
)

func one(start int64, values ...float32) *trace.Samples {
	v := make([]float32, len(values))
	for i := range v {
		v[i] = 3
	}
	return &trace.Samples{Start: start, Count: len(values), Values: [][]float32{values, v}, Runs: [][]trace.Run{{{At: 0, Range: 3}}, nil}}
}

// What an instrument gives for no number is a gap, wherever it stands and in whichever signal; everything around it is kept.
func TestNoNumbersAreGaps(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(-1))
	const overload = 9.9e37 // SCPI-1999, 7.2.1.4: stands for infinity
	for _, c := range []struct {
		name string
		i, v []float32
		kept []int64
		gaps []trace.Gap
	}{
		{"first", []float32{nan, 0.1, 0.2}, nil, []int64{1, 2}, []trace.Gap{{Start: 0, Count: 1, Why: trace.NoValue}}},
		{"last", []float32{0.1, 0.2, overload}, nil, []int64{0, 1}, []trace.Gap{{Start: 2, Count: 1, Why: trace.NoValue}}},
		{"together", []float32{0.1, inf, nan, 0.2}, nil, []int64{0, 3}, []trace.Gap{{Start: 1, Count: 2, Why: trace.NoValue}}},
		{"apart", []float32{0.1, inf, 0.3, nan, 0.2}, nil, []int64{0, 2, 4}, []trace.Gap{{Start: 1, Count: 1, Why: trace.NoValue}, {Start: 3, Count: 1, Why: trace.NoValue}}},
		{"the other signal earlier", []float32{0.1, 0.2, 0.3, nan}, []float32{3, nan, 3, 3}, []int64{0, 2}, []trace.Gap{{Start: 1, Count: 1, Why: trace.NoValue}, {Start: 3, Count: 1, Why: trace.NoValue}}},
		{"all", []float32{nan, nan}, nil, nil, []trace.Gap{{Start: 0, Count: 2, Why: trace.NoValue}}},
		{"more counts than there are", []float32{0.1, 2148, -2148}, nil, []int64{0}, []trace.Gap{{Start: 1, Count: 2, Why: trace.NoValue}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			w := create(t, dir, head("day"))
			s := one(0, c.i...)
			if c.v != nil {
				s.Values[1] = c.v
			}
			if err := w.Append(s); err != nil {
				t.Fatal(err)
			}
			if w.Received() != int64(len(c.kept)) || w.Next() != int64(len(c.i)) || w.Lost() != int64(len(c.i)-len(c.kept)) {
				t.Errorf("%d received, %d lost, next %d", w.Received(), w.Lost(), w.Next())
			}
			if err := w.Finish(trace.Statement{Complete: true}); err != nil {
				t.Fatal(err)
			}
			r := open(t, dir, "day")
			var kept []int64
			for b, err := range r.Blocks(nil, 0, r.Len()) {
				if err != nil {
					t.Fatal(err)
				}
				for k := range b.Count {
					kept = append(kept, b.Start+int64(k))
					if got, want := b.Values[0][k], c.i[b.Start+int64(k)]; math.Abs(float64(got-want)) > 1e-6 {
						t.Errorf("sample %d is %g, want %g", b.Start+int64(k), got, want)
					}
				}
			}
			if diff := cmp.Diff(c.kept, kept); diff != "" {
				t.Error(diff)
			}
			st := r.Statement()
			if diff := cmp.Diff(c.gaps, st.Gaps); diff != "" {
				t.Error(diff)
			}
			if st.Complete || len(st.Why) != 1 {
				t.Errorf("%+v", st)
			}
		})
	}
}

// A block that cannot follow, or that does not say what it is, is refused, and changes nothing.
func TestBlocksThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	if err := w.Append(one(0, 0.1, 0.2)); err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]*trace.Samples{
		"behind":                       one(1, 0.1),
		"negative":                     one(-1, 0.1),
		"fewer values than it says":    {Start: 2, Count: 3, Values: [][]float32{{1}, {1, 2, 3}}, Runs: [][]trace.Run{{{}}, nil}},
		"one signal":                   {Start: 2, Count: 1, Values: [][]float32{{1}}, Runs: [][]trace.Run{{{}}}},
		"no range":                     {Start: 2, Count: 1, Values: [][]float32{{1}, {1}}, Runs: [][]trace.Run{nil, nil}},
		"no ranges at all":             {Start: 2, Count: 1, Values: [][]float32{{1}, {1}}},
		"a range that is not there":    {Start: 2, Count: 1, Values: [][]float32{{1}, {1}}, Runs: [][]trace.Run{{{Range: 4}}, nil}},
		"a range from the middle":      {Start: 2, Count: 2, Values: [][]float32{{1, 1}, {1, 1}}, Runs: [][]trace.Run{{{At: 1}}, nil}},
		"ranges in another order":      {Start: 2, Count: 3, Values: [][]float32{{1, 1, 1}, {1, 1, 1}}, Runs: [][]trace.Run{{{}, {At: 2}, {At: 1}}, nil}},
		"a range behind the end":       {Start: 2, Count: 2, Values: [][]float32{{1, 1}, {1, 1}}, Runs: [][]trace.Run{{{}, {At: 2}}, nil}},
		"beyond what can be counted":   one(math.MaxInt64-1, 0.1),
		"a count that cannot be right": {Start: 2, Count: -1, Values: [][]float32{nil, nil}, Runs: [][]trace.Run{{{}}, nil}},
	} {
		if err := w.Append(s); err == nil || !strings.Contains(err.Error(), "trace day") {
			t.Errorf("%s: %v", name, err)
		}
		if w.Received() != 2 || w.Next() != 2 || w.Lost() != 0 {
			t.Errorf("%s: %d received, next %d", name, w.Received(), w.Next())
		}
	}
	if err := errors.Join(w.Append(&trace.Samples{Start: 2, Values: [][]float32{nil, nil}, Runs: [][]trace.Run{nil, nil}}), w.Finish(trace.Statement{}), w.Close()); err != nil {
		t.Errorf("an empty block, and the end: %v", err)
	}
	if err := w.Append(one(2, 0.1)); err == nil {
		t.Error("appended behind the end")
	}
	if err := w.Finish(trace.Statement{}); err == nil {
		t.Error("finished twice")
	}
	if _, err := trace.Create(dir, head("day")); err == nil {
		t.Error("written over")
	}
	r := open(t, dir, "day")
	for _, span := range [][2]int64{{-1, 1}, {1, 0}, {0, 3}} {
		var outside *trace.SpanError
		if _, err := r.Span(0, span[0], span[1]); !errors.As(err, &outside) || outside.Len != 2 {
			t.Errorf("%v: %v", span, err)
		}
	}
	for _, signal := range []int{-1, 2} {
		if _, err := r.Zoom(signal, 0, 1, 1, nil); err == nil {
			t.Errorf("there is no signal %d", signal)
		}
	}
	for _, bins := range []int{0, -1, 1 << 30} {
		if _, err := r.Zoom(0, 0, 1, bins, nil); err == nil {
			t.Errorf("%d bins were given", bins)
		}
	}
}

func TestHeadsThatCannotBe(t *testing.T) {
	for name, change := range map[string]func(*trace.Head){
		"no name":               func(h *trace.Head) { h.Name = "" },
		"a way out":             func(h *trace.Head) { h.Name = "../day" },
		"an ending":             func(h *trace.Head) { h.Name = "day.raw" },
		"an option":             func(h *trace.Head) { h.Name = "-day" },
		"no interval":           func(h *trace.Head) { h.IntervalSeconds = 0 },
		"an interval of NaN":    func(h *trace.Head) { h.IntervalSeconds = math.NaN() },
		"no signals":            func(h *trace.Head) { h.Signals = nil },
		"a signal twice":        func(h *trace.Head) { h.Signals[1].Name = "i" },
		"a signal with a space": func(h *trace.Head) { h.Signals[1].Name = "v in" },
		"a column twice":        func(h *trace.Head) { h.Signals[1].Name = "i_range" },
		"no ranges":             func(h *trace.Head) { h.Signals[0].Ranges = nil },
		"steps that do not fit": func(h *trace.Head) { h.Signals[0].Ranges[1].Step *= 1.005 },
	} {
		h := head("day")
		change(&h)
		dir := t.TempDir()
		if _, err := trace.Create(dir, h); err == nil {
			t.Errorf("%s: begun", name)
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %v is left", name, left)
		}
	}
}

// tight is a disk that has room for half of a write, once.
type tight struct {
	trace.Store
	full bool
}

func (d *tight) Write(p []byte) (int, error) {
	if !d.full {
		return d.Store.Write(p)
	}
	d.full = false
	n, err := d.Store.Write(p[:len(p)/2])
	return n, errors.Join(errNoRoom, err)
}

var errNoRoom = errors.New("no room")

// A disk that gets full makes an error that whoever keeps the record can name. Half a chunk is taken back, so that what comes once there is
// room again is kept; what was refused is a gap.
func TestADiskThatGetsFull(t *testing.T) {
	dir := t.TempDir()
	told, named := 0, errors.New("the disk of the record is full")
	w, err := trace.Options{Written: func() { told++ }, Failed: func(err error) error { return errors.Join(named, err) }}.Create(dir, head("day"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(one(0, 0.1, 0.2)); err != nil || told != 2 {
		t.Fatal(told, err)
	}
	w.SetFile(&tight{Store: w.SetFile(nil), full: true})
	if err := w.Append(one(2, 0.3)); !errors.Is(err, named) || !errors.Is(err, errNoRoom) {
		t.Error(err)
	}
	if raw, err := os.ReadFile(filepath.Join(dir, "day.raw")); err != nil {
		t.Fatal(err)
	} else if _, chunks, damaged, torn, err := trace.ReadRaw(raw); err != nil || len(chunks) != 1 || damaged+torn > 0 {
		t.Errorf("of %d bytes, %d are damaged and %d torn: %v", len(raw), damaged, torn, err)
	}
	if err := w.Append(one(3, 0.4)); err != nil {
		t.Error(err)
	}
	if err := w.Finish(trace.Statement{Complete: true}); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, "day")
	b, err := r.Span(0, 0, 4)
	s := r.Statement()
	if diff := cmp.Diff([]trace.Gap{{Start: 2, Count: 1}}, s.Gaps); err != nil || b.Count != 3 || !near(b.Integral, 0.7e-3, 1e-9) || s.Complete || len(s.Why) != 1 || diff != "" {
		t.Errorf("%+v, %+v, %v", b, s, err)
	}
}

// The estimate is above what the worst signal takes: counts that are drawn at random from all there are.
func TestBytesWantedIsEnough(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	const n = 300_000
	k := recorded(t, w, n, 31, 0)
	raw, err := os.Stat(filepath.Join(dir, "day.raw"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	took := raw.Size()
	for _, suffix := range []string{trace.ParquetSuffix, trace.PyramidSuffix, trace.HeadSuffix} {
		info, err := os.Stat(filepath.Join(dir, "day"+suffix))
		if err != nil {
			t.Fatal(err)
		}
		took += info.Size()
	}
	if want := trace.BytesWanted(w.Head(), int64(len(k.index))); took > want || took < want/3 {
		t.Errorf("%d bytes were taken, %d were estimated", took, want)
	}
}
