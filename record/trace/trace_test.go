package trace_test

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"fourwire/record/trace"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// current and voltage of a node, as a source-measure unit would give them: four ranges whose steps are multiples of the first.
func head(name string) trace.Head {
	return trace.Head{Name: name, Start: noon, IntervalSeconds: 1e-3, Signals: []trace.Signal{
		{Name: "i", Unit: "A", Node: "i(node.supply)", From: "smu.1", Ranges: []trace.Range{
			{Full: 1e-5, Step: 1e-11, Gain: 1e-3, Offset: 1e-9}, {Full: 1e-3, Step: 1e-9}, {Full: 0.1, Step: 1e-7}, {Full: 1, Step: 1e-6}}},
		{Name: "v", Unit: "V", Node: "v(node.supply)", From: "smu.1", Ranges: []trace.Range{{Full: 6, Step: 1e-5}}},
	}}
}

// truth is a recording as a test knows it: by its own counts, not by those of the package.
type truth struct {
	index  []int64 // of each sample that is present
	counts [2][]int64
	ranges [2][]uint8
	steps  [2][]float64
	base   [2]float64
}

func (k *truth) number(s, row int) float64 {
	return float64(k.counts[s][row]) * k.steps[s][k.ranges[s][row]]
}

// inBase is a sample in base steps.
func (k *truth) inBase(s, row int) int64 {
	return k.counts[s][row] * int64(math.Round(k.steps[s][k.ranges[s][row]]/k.base[s]))
}

// recorded appends about n samples in blocks of random length, with random hand-overs and gaps.
func recorded(t testing.TB, w *trace.Writer, n int, seed uint64, gaps float64) *truth {
	t.Helper()
	g := rand.New(rand.NewPCG(seed, 1))
	k := &truth{base: [2]float64{1e-11, 1e-5}}
	for s, signal := range w.Head().Signals {
		for _, r := range signal.Ranges {
			k.steps[s] = append(k.steps[s], r.Step)
		}
	}
	next := int64(0)
	for n > 0 {
		if g.Float64() < gaps {
			next += 1 + g.Int64N(5000)
		}
		m := 1 + g.IntN(min(n, 4000))
		b := &trace.Samples{Start: next, Count: m, Values: make([][]float32, 2), Runs: make([][]trace.Run, 2)}
		for s := range 2 {
			rg := -1
			for i := range m {
				if rg < 0 || g.IntN(300) == 0 {
					if now := g.IntN(len(k.steps[s])); now != rg {
						rg = now
						b.Runs[s] = append(b.Runs[s], trace.Run{At: i, Range: uint8(rg)})
					}
				}
				c := g.Int64N(2_100_000) - 1_050_000
				k.counts[s], k.ranges[s] = append(k.counts[s], c), append(k.ranges[s], uint8(rg))
				b.Values[s] = append(b.Values[s], float32(float64(c)*k.steps[s][rg]))
			}
		}
		for i := range m {
			k.index = append(k.index, next+int64(i))
		}
		if err := w.Append(b); err != nil {
			t.Fatal(err)
		}
		next += int64(m)
		n -= m
	}
	return k
}

func create(t testing.TB, dir string, h trace.Head) *trace.Writer {
	t.Helper()
	w, err := trace.Create(dir, h)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.Close() })
	return w
}

func open(t testing.TB, dir, name string) *trace.Trace {
	t.Helper()
	r, err := trace.Open(dir, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// sum is the plain sum over samples, in numbers of any length.
func (k *truth) sum(s int, from, to int64) (sum *big.Int, count int64, low, high int64, cross float64) {
	sum, low, high = new(big.Int), math.MaxInt64, math.MinInt64
	for row, at := range k.index {
		if at < from || at >= to {
			continue
		}
		x := k.inBase(s, row)
		sum.Add(sum, big.NewInt(x))
		count++
		low, high = min(low, x), max(high, x)
		cross += k.number(0, row) * k.number(1, row)
	}
	return
}

func near(a, b, relative float64) bool {
	return a == b || math.Abs(a-b) <= relative*math.Max(math.Abs(a), math.Abs(b)) || math.IsNaN(a) && math.IsNaN(b)
}

func (k *truth) check(t *testing.T, s int, b trace.Bin) {
	t.Helper()
	sum, count, low, high, cross := k.sum(s, b.From, b.To)
	if b.Count != count || b.Sum.Big().Cmp(sum) != 0 {
		t.Fatalf("signal %d, %d to %d: %d samples with sum %s, want %d and %s", s, b.From, b.To, b.Count, b.Sum, count, sum)
	}
	want, _ := new(big.Float).SetInt(sum).Float64()
	if !near(b.Integral, want*k.base[s]*1e-3, 1e-14) {
		t.Errorf("signal %d, %d to %d: integral %g, want %g", s, b.From, b.To, b.Integral, want*k.base[s]*1e-3)
	}
	if count == 0 {
		if !math.IsNaN(b.Min) || !math.IsNaN(b.Max) || !math.IsNaN(b.Mean) {
			t.Errorf("an empty span has numbers: %+v", b)
		}
		return
	}
	if !near(b.Min, float64(low)*k.base[s], 1e-15) || !near(b.Max, float64(high)*k.base[s], 1e-15) || !near(b.Mean, want*k.base[s]/float64(count), 1e-14) || !near(b.Seconds, float64(count)*1e-3, 1e-14) {
		t.Errorf("signal %d, %d to %d: %+v, want min %d max %d base steps", s, b.From, b.To, b, low, high)
	}
	if !math.IsNaN(b.Cross) && math.Abs(b.Cross-cross) > 1e-9*float64(count) {
		t.Errorf("%d to %d: cross sum %g, want %g", b.From, b.To, b.Cross, cross)
	}
}

// Every span sums to what adding up its samples one by one gives, to the last count.
func TestSpansAreExact(t *testing.T) {
	for _, c := range []struct {
		name string
		n    int
		gaps float64
	}{{"without gaps", 300_000, 0}, {"with gaps", 120_000, 0.1}, {"one leaf exactly", 1024, 0}, {"one sample", 1, 0}, {"less than a leaf", 777, 0.3}, {"whole levels", 16 * 16 * 1024, 0}} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			w := create(t, dir, head("day"))
			k := recorded(t, w, c.n, 7, c.gaps)
			if got := w.Integral(0); !near(got, bigSum(k, 0)*1e-11*1e-3, 1e-14) {
				t.Errorf("the writer counts %g C, want %g C", got, bigSum(k, 0)*1e-14)
			}
			if err := w.Finish(trace.Statement{Expected: int64(c.n), Complete: true, CoulombsCounted: math.NaN()}); err != nil {
				t.Fatal(err)
			}
			r := open(t, dir, "day")
			if r.Samples() != int64(c.n) || r.Len() != k.index[c.n-1]+1 {
				t.Fatalf("%d samples up to %d, want %d up to %d", r.Samples(), r.Len(), c.n, k.index[c.n-1]+1)
			}
			g := rand.New(rand.NewPCG(3, 3))
			for i := range 60 {
				from, to := g.Int64N(r.Len()+1), g.Int64N(r.Len()+1)
				from, to = min(from, to), max(from, to)
				switch i {
				case 0:
					from, to = 0, r.Len()
				case 1:
					from, to = 0, min(1024, r.Len())
				case 2:
					from = r.Len()
					to = from
				}
				b, err := r.Span(i%2, from, to)
				if err != nil {
					t.Fatal(err)
				}
				if math.IsNaN(b.Cross) {
					t.Fatal("there is no cross sum")
				}
				k.check(t, i%2, b)
			}
		})
	}
}

func bigSum(k *truth, s int) float64 {
	sum, _, _, _, _ := k.sum(s, 0, math.MaxInt64)
	x, _ := new(big.Float).SetInt(sum).Float64()
	return x
}

// The bins of a zoom join, and their sums are the sum of the whole span.
func TestZoomAddsUp(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	k := recorded(t, w, 200_000, 9, 0.05)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, "day")
	var bins []trace.Bin
	g := rand.New(rand.NewPCG(4, 4))
	for i := range 40 {
		from, to := g.Int64N(r.Len()), g.Int64N(r.Len())
		from, to = min(from, to), max(from, to)+1
		want := 1 + g.IntN(300)
		switch i {
		case 0:
			from, to, want = 0, r.Len(), 7
		case 1:
			from, to, want = 1000, 1010, 100
		}
		var err error
		if bins, err = r.Zoom(i%2, from, to, want, bins); err != nil {
			t.Fatal(err)
		}
		if len(bins) == 0 || len(bins) > want || int64(len(bins)) < min(int64(want), to-from)/2 {
			t.Fatalf("%d bins of %d to %d, want about %d", len(bins), from, to, want)
		}
		whole, err := r.Span(i%2, from, to)
		if err != nil {
			t.Fatal(err)
		}
		sum, at := trace.Bin{From: from, To: to, Min: math.NaN(), Max: math.NaN()}, from
		for n, b := range bins {
			if b.From != at || b.To <= b.From {
				t.Fatalf("bin %d is %d to %d, behind %d", n, b.From, b.To, at)
			}
			at = b.To
			sum.Sum, sum.Count = sum.Sum.Plus(b.Sum), sum.Count+b.Count
			if n%17 == 0 {
				k.check(t, i%2, b)
			}
		}
		if at != to || sum.Sum != whole.Sum || sum.Count != whole.Count {
			t.Errorf("%d to %d: the bins have %d samples and sum %s, the span %d and %s", from, to, sum.Count, sum.Sum, whole.Count, whole.Sum)
		}
	}
}

// Bins wider than a leaf begin and end with leaves, so that they need no samples; narrower ones are as wide as each other.
func TestWideBinsBeginWithLeaves(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	recorded(t, w, 100_000, 10, 0)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, "day")
	for _, c := range []struct{ from, to, bins, wide int64 }{{77, 99_000, 10, 1}, {0, 100_000, 97, 1}, {500, 60_500, 60, 0}} {
		bins, err := r.Zoom(0, c.from, c.to, int(c.bins), nil)
		if err != nil || int64(len(bins)) != c.bins {
			t.Fatalf("%d bins, want %d, %v", len(bins), c.bins, err)
		}
		width := float64(c.to-c.from) / float64(c.bins)
		for _, b := range bins[1:] {
			if c.wide > 0 && b.From%1024 != 0 || c.wide == 0 && math.Abs(float64(b.To-b.From)-width) > 1 {
				t.Errorf("a bin of %g samples is %d to %d", width, b.From, b.To)
			}
		}
	}
}

// What is read back is what was appended, with the range of every sample, and nothing where there was nothing.
func TestBlocksAreWhatWasAppended(t *testing.T) {
	dir := t.TempDir()
	w := create(t, dir, head("day"))
	k := recorded(t, w, 150_000, 11, 0.05)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	r := open(t, dir, "day")
	for _, signals := range [][]int{nil, {1}, {1, 0}} {
		from, to := r.Len()/7, r.Len()-5000
		row := 0
		for row < len(k.index) && k.index[row] < from {
			row++
		}
		for b, err := range r.Blocks(signals, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			for n := range signals {
				s := signals[n]
				rg, run := uint8(0), 0
				for i := range b.Count {
					if run < len(b.Runs[n]) && b.Runs[n][run].At == i {
						rg = b.Runs[n][run].Range
						run++
					}
					if at := row + i; k.index[at] != b.Start+int64(i) || b.Values[n][i] != float32(k.number(s, at)) || rg != k.ranges[s][at] {
						t.Fatalf("signal %d: sample %d is %g in range %d, want sample %d, %g in range %d", s, b.Start+int64(i), b.Values[n][i], rg, k.index[at], k.number(s, at), k.ranges[s][at])
					}
				}
			}
			row += b.Count
		}
		if row == len(k.index) || k.index[row] < to {
			t.Errorf("the blocks end before sample %d of %d", k.index[min(row, len(k.index)-1)], to)
		}
	}
}
