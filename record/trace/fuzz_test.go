package trace_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"fourwire/record/trace"
)

// Whatever a raw file holds, its chunks ascend, fit each other, and are no longer than chunks can be; what it was begun with is read again.
func FuzzRaw(f *testing.F) {
	raw, ends := small(f)
	f.Add(raw)
	f.Add(raw[:ends[3]+9])
	f.Add(append(append(bytes.Clone(raw[:ends[2]]), "CHNKCHNK"...), raw[ends[3]:]...))
	f.Fuzz(func(t *testing.T, data []byte) {
		h, chunks, damaged, torn, err := trace.ReadRaw(data)
		if err != nil {
			return
		}
		next, taken := int64(0), int64(0)
		for _, c := range chunks {
			if c.Start < next || len(c.Values) != len(h.Signals) {
				t.Fatalf("a chunk at %d with %d signals, behind %d", c.Start, len(c.Values), next)
			}
			n := len(c.Values[0])
			for i := range c.Values {
				if len(c.Values[i]) != n || n == 0 || n > trace.MaxChunk || len(c.Runs[i]) == 0 || c.Runs[i][0].At != 0 {
					t.Fatalf("a chunk of %d and %d samples", n, len(c.Values[i]))
				}
				for k, r := range c.Runs[i] {
					if int(r.Range) >= len(h.Signals[i].Ranges) || r.At >= n || k > 0 && r.At <= c.Runs[i][k-1].At {
						t.Fatalf("ranges %v of %d samples", c.Runs[i], n)
					}
				}
				taken += int64(4 * n)
			}
			next = c.Start + int64(n)
		}
		if taken+damaged+torn > int64(len(data)) {
			t.Fatalf("%d bytes of samples, %d damaged and %d torn of %d", taken, damaged, torn, len(data))
		}
	})
}

// A pyramid that is read has segments that ascend and hold its samples, in all of its levels.
func FuzzPyramid(f *testing.F) {
	for _, n := range []int{1, 3000, 40_000} {
		dir, _ := finished(f, n)
		data, err := os.ReadFile(filepath.Join(dir, "day.pyramid"))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		trace.Reseal(data) // else nothing but the checksum would be tried
		rows, segments, err := trace.ReadPyramid(data)
		if err != nil {
			return
		}
		next, sum := int64(0), int64(0)
		for _, s := range segments {
			if s.Start < next || s.Count <= 0 {
				t.Fatalf("segment %+v behind %d", s, next)
			}
			next, sum = s.Start+s.Count, sum+s.Count
		}
		if sum != rows {
			t.Fatalf("the segments have %d samples of %d", sum, rows)
		}
	})
}

// A head that is read is written as one that reads as the same.
func FuzzHead(f *testing.F) {
	dir, _ := finished(f, 3000)
	data, err := os.ReadFile(filepath.Join(dir, "day.json"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"fourwire":"trace/1","name":"x","interval_s":1,"signals":[{"name":"i","ranges":[{"full":1,"step":1,"gain":null}]}],"base_steps":[1],"sums":["0"],"parquet_tail":{"bytes":12,"crc32c":1}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		once, err := trace.ParseHead(data)
		if err != nil {
			return
		}
		twice, err := trace.ParseHead(once)
		if err != nil || !bytes.Equal(once, twice) {
			t.Fatalf("%v\n%s\n%s", err, once, twice)
		}
	})
}

// Whatever stands in the place of the samples, reading them ends, without a panic, with no more samples than there are.
func FuzzParquet(f *testing.F) {
	dir, k := finished(f, 3000)
	path := filepath.Join(dir, "day.parquet")
	data, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Fuzz(func(t *testing.T, data []byte) {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		trace.Retail(t, dir, "day") // else nothing but the checksum would be tried
		r, err := trace.Open(dir, "day")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		n := 0
		for b, err := range r.Blocks(nil, 0, r.Len()) {
			if err != nil {
				return
			}
			n += b.Count
		}
		if n != len(k.index) {
			t.Fatalf("%d samples of %d, and no error", n, len(k.index))
		}
	})
}
