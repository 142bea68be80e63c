package scpi_test

import (
	"encoding/binary"
	"math"
	"testing"

	"fourwire/driver/scpi"
)

// arrive does what a link does: it puts a response into the memory it was handed, or into its own where that is too small.
func arrive(room, wire []byte) []byte { return append(room[:0], wire...) }

func TestSinglesLieWhereTheyWereReceived(t *testing.T) {
	for _, order := range []scpi.Order{scpi.Normal, scpi.Swapped} {
		var s scpi.Singles
		for _, n := range []int{100, 100, 99, 3, 0, 3000, 3000, 7} {
			want, body := make([]float32, n), []byte(nil)
			for i := range want {
				want[i] = float32(i)*0.1 - 3
				if order == scpi.Swapped {
					body = binary.LittleEndian.AppendUint32(body, math.Float32bits(want[i]))
				} else {
					body = binary.BigEndian.AppendUint32(body, math.Float32bits(want[i]))
				}
			}
			got, err := s.Take(arrive(s.Room(), scpi.AppendBlock(nil, body)), order)
			if err != nil || len(got) != n {
				t.Fatalf("%d numbers: %d came, %v", n, len(got), err)
			}
			for i := range want {
				if got[i] != want[i] {
					t.Fatalf("%d numbers, order %v: number %d is %v, want %v", n, order, i, got[i], want[i])
				}
			}
		}
		if _, err := s.Take([]byte("#15HELLO"), order); err == nil {
			t.Error("five bytes became numbers")
		}
		if _, err := s.Take([]byte("1,2,3"), order); err == nil {
			t.Error("text became a block")
		}
	}
}

func TestSinglesUseTheirMemoryAgain(t *testing.T) {
	wire := scpi.AppendBlock(nil, make([]byte, 64<<10))
	var s scpi.Singles
	take := func() {
		if got, err := s.Take(arrive(s.Room(), wire), scpi.Swapped); err != nil || len(got) != 16<<10 {
			t.Fatal(len(got), err)
		}
	}
	take()
	response := arrive(s.Room(), wire)
	got, _ := s.Take(response, scpi.Swapped)
	if response[len(response)-1] = 0x40; got[len(got)-1] == 0 {
		t.Error("the numbers were copied")
	}
	if n := testing.AllocsPerRun(20, take); n != 0 {
		t.Errorf("%v allocations for a block of the size of the last", n)
	}
}
