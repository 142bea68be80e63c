package tiles

import "math"

// A tile is columns of numbers, one after the other. A column is its bytes plane by plane, the lowest bytes of all numbers
// first: planes of like bytes shrink well. A plane of which every byte is the same is written as 0 and that byte, any other
// as 1 and its bytes.

// appendPlanes adds a column; at(i) gives number i as width bytes, low first.
func appendPlanes(to []byte, n, width int, at func(int) uint64) []byte {
	if n == 0 {
		return to
	}
	first, differs := at(0), uint64(0)
	for i := 1; i < n; i++ {
		differs |= at(i) ^ first
	}
	for p := 0; p < width; p++ {
		shift := 8 * p
		if byte(differs>>shift) == 0 {
			to = append(to, 0, byte(first>>shift))
			continue
		}
		to = append(to, 1)
		for i := range n {
			to = append(to, byte(at(i)>>shift))
		}
	}
	return to
}

// appendCounts is appendPlanes for samples, of which there are many.
func appendCounts(to []byte, values []int32) []byte {
	if len(values) == 0 {
		return to
	}
	first, differs := uint32(values[0]), uint32(0)
	for _, v := range values {
		differs |= uint32(v) ^ first
	}
	for shift := 0; shift < 32; shift += 8 {
		if byte(differs>>shift) == 0 {
			to = append(to, 0, byte(first>>shift))
			continue
		}
		to = append(to, 1)
		at := len(to)
		to = append(to, make([]byte, len(values))...)
		plane := to[at:]
		for i, v := range values {
			plane[i] = byte(uint32(v) >> shift)
		}
	}
	return to
}

func appendBytes(to []byte, values []uint8) []byte {
	return appendPlanes(to, len(values), 1, func(i int) uint64 { return uint64(values[i]) })
}

func appendFloats(to []byte, values []float32) []byte {
	return appendPlanes(to, len(values), 4, func(i int) uint64 { return uint64(math.Float32bits(values[i])) })
}

func appendDoubles(to []byte, values []float64) []byte {
	return appendPlanes(to, len(values), 8, func(i int) uint64 { return math.Float64bits(values[i]) })
}

// below and above round to 12 digits of the binary fraction, outward, so that an envelope stays one.
func below(x float64) float32 { return -above(-x) }

func above(x float64) float32 {
	const drop = 1<<11 - 1 // of the 23 digits that a float32 has
	cut := math.Float32frombits(math.Float32bits(float32(x)) &^ drop)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0) || float64(cut) >= x:
		return cut
	case cut > 0 || cut == 0 && x > 0:
		return math.Float32frombits(math.Float32bits(cut) + drop + 1)
	}
	return math.Float32frombits(math.Float32bits(cut) - drop - 1)
}

// shorter drops the last 16 of the 52 binary digits: a relative 1.5e-11.
func shorter(x float64) float64 {
	return math.Float64frombits((math.Float64bits(x) + 1<<15) &^ (1<<16 - 1))
}
