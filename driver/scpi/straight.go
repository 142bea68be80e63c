package scpi

import (
	"encoding/binary"
	"math/bits"
	"unsafe"
)

// Singles is memory for REAL,32 blocks that come one after the other: pass Room to the link's Receive and what came to Take. The bytes
// of a block of the size of the last one are then received where the numbers lie, so that there is nothing to copy. The zero value is ready.
type Singles struct {
	memory []float32
	header int // bytes before the data of the last block
}

// slack is room for the header before a block, and the line end behind it, in numbers.
const slack = 8

// Room is the memory for the next response.
func (s *Singles) Room() []byte {
	if len(s.memory) == 0 {
		return nil
	}
	return s.bytes()[-s.header&3:][:0]
}

func (s *Singles) bytes() []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(s.memory))), 4*len(s.memory))
}

// Take gives the numbers of a response that is one definite block. They lie in the memory of s, and stand until the next call of Room.
func (s *Singles) Take(response []byte, order Order) ([]float32, error) {
	body, _, err := CutBlock(response)
	if err != nil {
		return nil, err
	}
	n := len(body) / 4
	s.header = cap(response) - cap(body)
	if at, ok := s.place(body); ok && len(body)%4 == 0 {
		out := s.memory[at/4:][:n]
		if order == Normal == littleEndian() {
			swap(body)
		}
		return out, nil
	}
	if len(s.memory) < n+slack {
		s.memory = make([]float32, n+slack)
	}
	return Float32s(s.memory[:n], body, order)
}

// place says where body begins in the memory, if it lies in it at a place fit for numbers.
func (s *Singles) place(body []byte) (at uintptr, ok bool) {
	if len(body) == 0 || len(s.memory) == 0 {
		return 0, false
	}
	start := uintptr(unsafe.Pointer(unsafe.SliceData(s.memory)))
	at = uintptr(unsafe.Pointer(unsafe.SliceData(body))) - start
	return at, at%4 == 0 && at < 4*uintptr(len(s.memory))
}

func littleEndian() bool {
	word := uint16(1)
	return *(*byte)(unsafe.Pointer(&word)) == 1
}

// swap turns the byte order of 4-byte numbers round, in place.
func swap(b []byte) {
	for len(b) >= 16 {
		p, q := b[:8], b[8:16]
		x, y := binary.LittleEndian.Uint64(p), binary.LittleEndian.Uint64(q)
		binary.LittleEndian.PutUint64(p, bits.RotateLeft64(bits.ReverseBytes64(x), 32))
		binary.LittleEndian.PutUint64(q, bits.RotateLeft64(bits.ReverseBytes64(y), 32))
		b = b[16:]
	}
	for len(b) >= 4 {
		binary.LittleEndian.PutUint32(b, bits.ReverseBytes32(binary.LittleEndian.Uint32(b)))
		b = b[4:]
	}
}
