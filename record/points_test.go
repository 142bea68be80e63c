package record

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fourwire/quantity"
)

var efficiencyColumns = []Column{
	{Name: "vin", Kind: Coordinate, Unit: "V", Dim: quantity.Voltage},
	{Name: "vi", Kind: Measured, Unit: "V", Dim: quantity.Voltage, Node: "v(dut.in)"},
	{Name: "ii", Kind: Measured, Unit: "A", Dim: quantity.Current, Node: "i(dut.in)"},
	{Name: "efficiency", Kind: Derived, Unit: "1", Expr: "pout / pin"},
}

// randomPoint makes points that stress the form: tiny and huge numbers, gaps, quotes, commas, separators inside text.
func randomPoint(r *rand.Rand, number int) Point {
	texts := []string{"", "feed is in CC", "a \"quoted\", comma; semicolon", "=1+1", "Ω µ 中", " leading and trailing "}
	float := func() float64 {
		switch r.IntN(5) {
		case 0:
			return math.NaN()
		case 1:
			return math.Float64frombits(r.Uint64()&^(0x7ff<<52) | uint64(r.IntN(2046))<<52) // any finite number
		case 2:
			return float64(r.IntN(20))
		}
		return r.NormFloat64()
	}
	p := Point{Number: number, At: time.Duration(r.Int64N(1e15)), Part: texts[r.IntN(len(texts))], Cells: map[string]Cell{}, Valid: true, Settled: true}
	for _, c := range efficiencyColumns {
		cell := Cell{SI: float(), U: float(), Biggest: []string{"", "dmm-in ch1 volts 20 V gain"}[r.IntN(2)]}
		if c.Kind == Coordinate {
			cell.U = math.NaN()
		}
		if math.IsNaN(cell.SI) && math.IsNaN(cell.U) {
			if r.IntN(2) == 0 && c.Kind == Measured {
				p.Cells[c.Name] = Cell{SI: math.NaN(), U: math.NaN(), Overload: true}
				p.Valid = false
			}
			continue
		}
		p.Cells[c.Name] = cell
	}
	over := p.Status() == StatusOverload
	switch r.IntN(3) {
	case 0:
		p.Valid = false
	case 1:
		if p.Valid {
			p.Settled = false
		}
	}
	if !over && p.Status() != StatusOK {
		p.Why = texts[r.IntN(len(texts))]
	}
	if r.IntN(2) == 0 {
		p.Modes = map[string]string{"feed": "CV", "sink": "CC"}
		p.Ranges = map[string]string{"vi": "20 V", "ii": "5 A"}
	}
	return p
}

func file(columns []Column, parts bool, points []Point) []byte {
	var b bytes.Buffer
	b.Write(csvLine(header(columns, parts)))
	for _, p := range points {
		b.Write(csvLine(row(columns, parts, p)))
	}
	return b.Bytes()
}

// samePoints compares bit by bit but for NaN, which equals NaN, and for the sign of nothing.
var samePoints = []cmp.Option{cmpopts.EquateNaNs(), cmpopts.EquateEmpty(),
	cmp.FilterPath(func(p cmp.Path) bool { return p.String() == "Why" }, cmp.Comparer(func(a, b string) bool {
		return a == b || strings.HasPrefix(a, overloadPrefix) && b == "" || a == "" && strings.HasPrefix(b, overloadPrefix)
	}))}

func TestPointsComeBackAsTheyWereWritten(t *testing.T) {
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 1))
		var want []Point
		for i := range r.IntN(8) {
			want = append(want, randomPoint(r, i+1))
		}
		var found problems
		got, err := readPoints(bytes.NewReader(file(efficiencyColumns, true, want)), efficiencyColumns, &found)
		if err != nil || len(found.list()) > 0 {
			t.Fatalf("seed %d: %v, %q", seed, err, found.list())
		}
		if d := cmp.Diff(want, got.rows, samePoints...); d != "" {
			t.Fatalf("seed %d: %s", seed, d)
		}
	}
}

// A run may be cut at any byte: every row whose end reached the file must come back, and nothing else.
func TestTruncationAtEveryLengthKeepsWholeRows(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	var want []Point
	for i := range 6 {
		want = append(want, randomPoint(r, i+1))
	}
	data := file(efficiencyColumns, true, want)
	for n := range len(data) + 1 {
		var found problems
		got, err := readPoints(bytes.NewReader(data[:n]), efficiencyColumns, &found)
		if err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		whole := max(0, bytes.Count(data[:n], []byte("\n"))-1)
		if d := cmp.Diff(want[:whole], got.rows, samePoints...); d != "" {
			t.Fatalf("cut at %d: %s", n, d)
		}
		torn := n > 0 && data[n-1] != '\n'
		if torn != (len(found.list()) == 1) {
			t.Fatalf("cut at %d: torn is %v, reported %q", n, torn, found.list())
		}
	}
}

func TestHeaderAloneTellsTheColumns(t *testing.T) {
	var found problems
	p := Point{Number: 1, Valid: true, Settled: true, Cells: map[string]Cell{"vin": {SI: 12, U: math.NaN()}, "vi": {SI: 11.98, U: 0.001}}}
	got, err := readPoints(bytes.NewReader(file(efficiencyColumns, false, []Point{p})), nil, &found)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range got.columns {
		names = append(names, fmt.Sprintf("%s %s %s", c.Name, c.Kind, c.Unit))
	}
	want := "vin coordinate V, vi measured V, ii measured A, efficiency measured 1"
	if s := strings.Join(names, ", "); s != want {
		t.Errorf("got %s, want %s", s, want)
	}
	if got.rows[0].Cells["vi"].U != 0.001 {
		t.Errorf("U of vi came back as %v", got.rows[0].Cells["vi"].U)
	}
}

func TestDamagedRowsAreReportedNotGuessed(t *testing.T) {
	const head = "point,time_s,vin [V],mode,ranges,status,why,biggest\n"
	for _, c := range []struct{ name, row, want string }{
		{"too few fields", "1,0,12,,,ok", "it has 6 fields"},
		{"a word for a number", "1,0,twelve,,,ok,,", `vin: "twelve" is no number`},
		{"NaN is never written", "1,0,NaN,,,ok,,", `vin: "NaN" is no number`},
		{"hexadecimal is never written", "1,0,0x1p4,,,ok,,", "is no number"},
		{"too large for a float", "1,0,1e999,,,ok,,", "is no number"},
		{"unknown status", "1,0,12,,,fine,,", `the status "fine" is not known`},
		{"broken quotes", `1,0,12,"",",ok,,`, "left out"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var found problems
			got, err := readPoints(strings.NewReader(head+c.row+"\n2,1,12,,,ok,,\n"), nil, &found)
			if err != nil {
				t.Fatal(err)
			}
			if len(got.rows) != 1 || got.rows[0].Number != 2 {
				t.Errorf("rows %v: the good row must stay and the bad one go", got.rows)
			}
			if list := found.list(); len(list) != 1 || !strings.Contains(list[0], c.want) || !strings.Contains(list[0], "points.csv:2") {
				t.Errorf("reported %q, want %q with the line", list, c.want)
			}
		})
	}
}

// FuzzReadPoints: whatever is read can be written, and then reads back as the same rows without a complaint.
func FuzzReadPoints(f *testing.F) {
	r := rand.New(rand.NewPCG(3, 3))
	f.Add(file(efficiencyColumns, true, []Point{randomPoint(r, 1), randomPoint(r, 2)}))
	f.Add([]byte("point,time_s,vin [V],U(vin) [V],status,why\n1,0.5,12,,overload,\"overload of vin: x\"\n"))
	f.Add([]byte("point,time_s,part,status,mode\n1,1e300,a b,ok,feed=CV sink=\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var found problems
		first, err := readPoints(bytes.NewReader(data), nil, &found)
		if err != nil || first.columns == nil && first.rows == nil {
			return
		}
		var again problems
		second, err := readPoints(bytes.NewReader(file(first.columns, first.parts, first.rows)), first.columns, &again)
		if err != nil || len(again.list()) > 0 {
			t.Fatalf("what was read cannot be read again: %v %q", err, again.list())
		}
		third, err := readPoints(bytes.NewReader(file(second.columns, second.parts, second.rows)), second.columns, &again)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(second.rows, third.rows, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
		if len(first.rows) != len(second.rows) {
			t.Fatalf("%d rows became %d", len(first.rows), len(second.rows))
		}
	})
}
