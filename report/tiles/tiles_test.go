package tiles_test

import (
	"bytes"
	"compress/flate"
	"encoding/base64"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"fourwire/internal/clock"
	"fourwire/record/trace"
	"fourwire/report/reporttest"
	"fourwire/report/tiles"
)

func openTrace(t testing.TB, o reporttest.Drain) *trace.Trace {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
		t.Fatal(err)
	}
	f, err := trace.Open(filepath.Join(dir, "traces"), "day")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// The day of 86.4 million samples must be written in a few seconds, within the budget of bytes and 300 MB of memory.
func TestDayIsWrittenInSeconds(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("set FOURWIRE_LONG=1")
	}
	f := openTrace(t, reporttest.Drain{Seconds: 86400})
	var keep []tiles.Span
	for k := range int64(1440) {
		keep = append(keep, tiles.Span{From: 11500 + 60000*k, To: 14500 + 60000*k})
	}
	c := clock.Real()
	began := c.Now()
	x, err := tiles.Write(filepath.Join(t.TempDir(), "day"), f, tiles.Options{Keep: keep})
	if err != nil {
		t.Fatal(err)
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	page := len(x.Levels[len(x.Levels)-1].Data)
	t.Logf("%v, %d files, %.1f MB, %d samples one by one, %d bytes in the page, %.0f MB taken from the system", c.Since(began), x.Files, float64(x.Bytes)/1e6, x.Samples, page, float64(m.Sys)/1e6)
	for _, l := range x.Levels {
		t.Logf("%d samples a bin, %d runs", l.Samples, len(l.Runs)/2)
	}
	if x.Bytes > tiles.DefaultBudget {
		t.Errorf("%d bytes", x.Bytes)
	}
}

// read is one chunk read back.
type chunk struct {
	n      int
	count  []uint64
	values [][]uint64 // samples: counts and ranges of each signal; bins: least, most and sum of each
}

func planes(data *[]byte, n, width int) []uint64 {
	out := make([]uint64, n)
	for shift := 0; shift < 8*width; shift += 8 {
		constant := (*data)[0] == 0
		*data = (*data)[1:]
		used := n
		if constant {
			used = 1
		}
		for i := range out {
			out[i] |= uint64((*data)[i%used]) << shift
		}
		*data = (*data)[used:]
	}
	return out
}

// load reads all chunks of a level back, by number.
func load(t *testing.T, dir string, x *tiles.Index, level int) map[int64]chunk {
	t.Helper()
	l := x.Levels[level]
	out := map[int64]chunk{}
	read := func(data *[]byte, number int64) {
		c := chunk{n: int(min(l.Slots, (x.Len+l.Samples-1)/l.Samples-number*l.Slots))}
		if l.Samples > 1 {
			c.count = planes(data, c.n, 4)
		}
		for range x.Signals {
			widths := []int{4, 1}
			if l.Samples > 1 {
				widths = []int{4, 4, 8}
			}
			for _, w := range widths {
				c.values = append(c.values, planes(data, c.n, w))
			}
		}
		if l.Samples > 1 && x.Cross {
			c.values = append(c.values, planes(data, c.n, 8))
		}
		out[number] = c
	}
	if l.Group == 0 {
		data, err := base64.StdEncoding.DecodeString(l.Data)
		if err != nil {
			t.Fatal(err)
		}
		read(&data, 0)
		return out
	}
	var chunks []int64
	for i := 0; i < len(l.Runs); i += 2 {
		for k := range l.Runs[i+1] {
			chunks = append(chunks, l.Runs[i]+k)
		}
	}
	for file := 0; len(chunks) > 0; file++ {
		text, err := os.ReadFile(filepath.Join(dir, fmt.Sprintf("%s%d.js", l.Prefix, file)))
		if err != nil {
			t.Fatal(err)
		}
		head := fmt.Sprintf("fourwireTile(%q,%q,%d,\"", x.Name, l.Prefix, file)
		body, ok := strings.CutPrefix(string(text), head)
		if !ok {
			t.Fatalf("the file begins with %.80q", text)
		}
		packed, err := base64.StdEncoding.DecodeString(strings.TrimSuffix(body, "\")\n"))
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(flate.NewReader(bytes.NewReader(packed)))
		if err != nil {
			t.Fatal(err)
		}
		n := min(len(chunks), int(l.Group))
		for _, c := range chunks[:n] {
			read(&data, c)
		}
		chunks = chunks[n:]
		if len(data) > 0 {
			t.Fatalf("%d bytes are left in file %d of level %d", len(data), file, level)
		}
	}
	return out
}

// Whatever is written, every bin and every kept sample must be what the trace itself says of that span.
func TestTilesSayWhatTheTraceSays(t *testing.T) {
	for _, c := range []struct {
		name   string
		o      reporttest.Drain
		budget int64
		whole  bool
	}{
		{"everything fits", reporttest.Drain{Seconds: 200, Gap: true}, 0, true},
		{"samples around events alone", reporttest.Drain{Seconds: 300, Gap: true}, 90_000, false},
		{"the current alone", reporttest.Drain{Seconds: 100, Alone: true}, 0, true},
		{"so short that it is in the page", reporttest.Drain{Seconds: 3}, 0, true},
		{"so long that levels stand above one another", reporttest.Drain{Seconds: 1100, Alone: true, Gap: true}, 2_200_000, false},
		{"without events", reporttest.Drain{Seconds: 300}, 150_000, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := openTrace(t, c.o)
			dir := filepath.Join(t.TempDir(), "day")
			keep := []tiles.Span{{11_000, 14_000}, {71_000, 75_000}}
			if c.name == "without events" {
				keep = nil
			}
			x, err := tiles.Write(dir, f, tiles.Options{Budget: c.budget, Keep: keep})
			if err != nil {
				t.Fatal(err)
			}
			if x.Whole != c.whole {
				t.Errorf("whole: %v", x.Whole)
			}
			if c.o.Seconds > 1000 && len(x.Levels) != 3 {
				t.Errorf("%d levels", len(x.Levels))
			}
			checked := 0
			for level, l := range x.Levels {
				for number, have := range load(t, dir, x, level) {
					checked += compare(t, f, x, l, number, have)
				}
			}
			t.Logf("%d levels, %d files, %d bytes, %d of %d samples, %d places compared", len(x.Levels), x.Files, x.Bytes, x.Samples, f.Samples(), checked)
			if checked < 300 || c.whole && x.Samples != f.Samples() {
				t.Errorf("%d places compared, %d samples of %d are there", checked, x.Samples, f.Samples())
			}
			if c.budget > 0 && x.Bytes > c.budget {
				t.Errorf("%d bytes, the budget is %d", x.Bytes, c.budget)
			}
			if !c.whole && x.Samples == 0 {
				t.Error("no single sample was kept")
			}
		})
	}
}

// compare holds some places of a chunk against the trace.
func compare(t *testing.T, f *trace.Trace, x *tiles.Index, l tiles.Level, number int64, have chunk) int {
	t.Helper()
	random := rand.New(rand.NewPCG(1, uint64(number)))
	places := have.n // every bin; of samples many
	if l.Samples == 1 {
		places = min(have.n, 300)
	}
	for at := range places {
		if l.Samples == 1 {
			at = random.IntN(have.n)
		}
		from := (number*l.Slots + int64(at)) * l.Samples
		to := min(x.Len, from+l.Samples)
		for k, s := range x.Signals {
			want, err := f.Span(k, from, to)
			if err != nil {
				t.Fatal(err)
			}
			if l.Samples == 1 {
				c, r := int32(have.values[2*k][at]), have.values[2*k+1][at]
				if c == tiles.Missing != (want.Count == 0) || want.Count == 1 && float64(c)*s.Multiples[r] != want.Sum.Float64() {
					t.Fatalf("sample %d of %s: count %d in range %d, the trace has %v", from, s.Name, c, r, want)
				}
				continue
			}
			least, most := math.Float32frombits(uint32(have.values[3*k][at])), math.Float32frombits(uint32(have.values[3*k+1][at]))
			sum := math.Float64frombits(have.values[3*k+2][at])
			if int64(have.count[at]) != want.Count || sum != want.Sum.Float64() {
				t.Fatalf("%s of %d..%d: %d samples, sum %v; the trace has %v", s.Name, from, to, have.count[at], sum, want)
			}
			if want.Count == 0 {
				continue
			}
			room := (want.Max-want.Min)/1000 + math.Abs(want.Max)/2000
			if float64(least) > want.Min*(1+1e-7)+1e-15 || float64(most) < want.Max*(1-1e-7)-1e-15 || float64(least) < want.Min-room || float64(most) > want.Max+room {
				t.Fatalf("%s of %d..%d: %v to %v; the trace has %v to %v", s.Name, from, to, least, most, want.Min, want.Max)
			}
			if x.Cross && k == x.Current {
				cross := math.Float64frombits(have.values[3*len(x.Signals)][at])
				if math.Abs(cross-want.Cross) > 1e-10*math.Abs(want.Cross) {
					t.Fatalf("%d..%d: the sum of current times voltage is %v, the trace has %v", from, to, cross, want.Cross)
				}
			}
		}
	}
	return places
}
