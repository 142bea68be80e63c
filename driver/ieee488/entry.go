package ieee488

import (
	"bytes"
	"fmt"

	"fourwire/driver/scpi"
)

// ParseEntry reads an answer of an error queue: -222,"Data out of range". Instruments also write +0, leave the quotes out, put a blank
// in place of the comma, or give the number alone.
func ParseEntry(answer []byte) (Entry, error) {
	text := bytes.TrimSpace(answer)
	n := 0
	for n < len(text) && (text[n] >= '0' && text[n] <= '9' || n == 0 && (text[n] == '+' || text[n] == '-')) {
		n++
	}
	number, err := scpi.ParseWhole(text[:n])
	if err != nil || number < -1<<31 || number >= 1<<31 {
		return Entry{}, fmt.Errorf("%s is no entry of an error queue", shortened(text))
	}
	rest := bytes.TrimSpace(text[n:])
	rest = bytes.TrimSpace(bytes.TrimPrefix(rest, []byte(",")))
	return Entry{Number: int(number), Text: scpi.ParseString(rest)}, nil
}

// Identity is what an instrument says of itself (IEEE 488.2 clause 10.14). "0" or nothing stands for an unknown serial number or firmware.
type Identity struct{ Maker, Model, Serial, Firmware string }

// ParseIdentity reads an answer to *IDN?: four fields between commas. Missing ones stay empty, and what is more goes to the firmware.
func ParseIdentity(answer []byte) Identity {
	var field [4]string
	for i, part := range bytes.SplitN(bytes.Trim(answer, "\x00 \t\r\n"), []byte(","), 4) {
		field[i] = scpi.ParseString(bytes.Trim(part, "\x00 \t\r\n"))
	}
	return Identity{field[0], field[1], field[2], field[3]}
}

// String is the identity with commas, as the instrument gives it.
func (id Identity) String() string {
	return id.Maker + "," + id.Model + "," + id.Serial + "," + id.Firmware
}
