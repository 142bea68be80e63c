package index_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"fourwire/daemon/index"
)

var day = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func rowOf(i int) index.Row {
	outcomes := []string{"pass", "fail", "undecided", "not judged"}
	return index.Row{ID: fmt.Sprintf("r%06d", i), Title: "Buoy 5 V converter, " + []string{"efficiency", "load regulation", "no load"}[i%3], Sequence: []string{"efficiency.yaml", "load.yaml"}[i%2],
		Bench: "Buoy converter bench", Operator: []string{"ada", "bo"}[i%2], Settings: []string{fmt.Sprintf("unit=B%d", i)}, Serials: []string{"S1001", fmt.Sprint("S", i)},
		Filed: day.Add(time.Duration(i/2) * time.Minute), Started: day, Seconds: 3.5, Points: i, Outcome: outcomes[i%4], Finished: true, Stamp: int64(i)}
}

func filled(t testing.TB, n int) *index.Index {
	t.Helper()
	x, err := index.Open(filepath.Join(t.TempDir(), "index.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = x.Close() })
	var rows []index.Row
	for i := range n {
		rows = append(rows, rowOf(i))
		if len(rows) == 5000 || i == n-1 {
			if err := x.Put(t.Context(), rows...); err != nil {
				t.Fatal(err)
			}
			rows = rows[:0]
		}
	}
	return x
}

// What a search finds is what a plain loop over the rows finds.
func TestSearch(t *testing.T) {
	x := filled(t, 240)
	for _, c := range []struct {
		name  string
		query index.Query
		want  func(i int, r index.Row) bool
	}{
		{"everything", index.Query{}, func(int, index.Row) bool { return true }},
		{"a word of the title", index.Query{Words: "regulation"}, func(i int, _ index.Row) bool { return i%3 == 1 }},
		{"the beginning of a word, in other case", index.Query{Words: "EFFIC"}, func(i int, _ index.Row) bool { return i%3 == 0 || i%2 == 0 }},
		{"two words, both", index.Query{Words: "regulation ada"}, func(i int, _ index.Row) bool { return i%3 == 1 && i%2 == 0 }},
		{"a serial number", index.Query{Words: "S17"}, func(i int, _ index.Row) bool { return i == 17 || i >= 170 && i < 180 }},
		{"a setting", index.Query{Words: "unit=B33"}, func(i int, _ index.Row) bool { return i == 33 }},
		{"an outcome", index.Query{Outcome: "fail"}, func(i int, _ index.Row) bool { return i%4 == 1 }},
		{"a sequence since a time, before another", index.Query{Sequence: "load.yaml", From: day.Add(10 * time.Minute), To: day.Add(20 * time.Minute)},
			func(i int, _ index.Row) bool { return i%2 == 1 && i/2 >= 10 && i/2 < 20 }},
		{"what means something to a search expression", index.Query{Words: `" OR NEAR( * - ^title: "`}, func(int, index.Row) bool { return false }},
		{"nothing but signs", index.Query{Words: `" * ( -`}, func(int, index.Row) bool { return true }},
	} {
		t.Run(c.name, func(t *testing.T) {
			var want []string
			for i := 239; i >= 0; i-- {
				if c.want(i, rowOf(i)) {
					want = append(want, rowOf(i).ID)
				}
			}
			var got []string
			c.query.Limit = 37
			for {
				page, err := x.Search(t.Context(), c.query)
				if err != nil {
					t.Fatal(err)
				}
				if page.Total != len(want) {
					t.Fatalf("total %d, want %d", page.Total, len(want))
				}
				for _, r := range page.Rows {
					got = append(got, r.ID)
				}
				if c.query.After = page.Next; page.Next == "" {
					break
				}
			}
			if !slices.Equal(got, want) {
				t.Errorf("got %v\nwant %v", got, want)
			}
		})
	}
	if _, err := x.Search(t.Context(), index.Query{After: "no page!"}); err == nil {
		t.Error("a page behind nothing")
	}
}

func TestPutAgainAndRemove(t *testing.T) {
	x := filled(t, 3)
	changed := rowOf(1)
	changed.Title, changed.Stamp = "Anew", 99
	if err := x.Put(t.Context(), changed); err != nil {
		t.Fatal(err)
	}
	got, ok, err := x.Get(t.Context(), changed.ID)
	if err != nil || !ok || got.Title != "Anew" || !got.Filed.Equal(changed.Filed) || !slices.Equal(got.Serials, changed.Serials) {
		t.Errorf("%+v %v %v", got, ok, err)
	}
	if page, err := x.Search(t.Context(), index.Query{Words: "regulation"}); err != nil || page.Total != 0 {
		t.Errorf("what it said before is still found: %+v %v", page, err)
	}
	if err := x.Remove(t.Context(), changed.ID); err != nil {
		t.Fatal(err)
	}
	stamps, err := x.Stamps(t.Context())
	if err != nil || len(stamps) != 2 || stamps["r000002"] != 2 {
		t.Errorf("%v %v", stamps, err)
	}
	if _, ok, err := x.Get(t.Context(), changed.ID); ok || err != nil {
		t.Errorf("%v %v", ok, err)
	}
}

// A file that is no table, or one of another layout, is made anew: the folder of records is the truth.
func TestDamaged(t *testing.T) {
	file := filepath.Join(t.TempDir(), "index.sqlite")
	if err := os.WriteFile(file, []byte("this is not what it was, and longer than a header of a hundred bytes, so that it is read as one and then refused at once"), 0o600); err != nil {
		t.Fatal(err)
	}
	x, err := index.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	if err := x.Put(t.Context(), rowOf(1)); err != nil {
		t.Error(err)
	}
}

// Promised: with 100,000 records, a search and the first page under 100 ms.
func BenchmarkHistory(b *testing.B) {
	x := filled(b, 100_000)
	for _, c := range []struct {
		name  string
		query index.Query
	}{
		{"first page", index.Query{Limit: 50}},
		{"a common word", index.Query{Words: "buoy", Limit: 50}},
		{"two words", index.Query{Words: "regulation ada", Limit: 50}},
		{"a rare word", index.Query{Words: "unit=B77777", Limit: 50}},
		{"outcome and time", index.Query{Outcome: "fail", From: day.Add(100 * time.Hour), Limit: 50}},
		{"word and outcome", index.Query{Words: "effic", Outcome: "fail", Limit: 50}},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				page, err := x.Search(b.Context(), c.query)
				if err != nil || page.Total == 0 {
					b.Fatal(page.Total, err)
				}
			}
		})
	}
}
