package record

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// mostOfDevice is how many characters of a serial number a record takes.
const mostOfDevice = 80

// CheckDevice says what is wrong with a serial number of a device under test, which stands on one line in reports and in searches.
func CheckDevice(serial string) error {
	bad := func(r rune) bool { return !unicode.IsPrint(r) }
	if serial == "" || utf8.RuneCountInString(serial) > mostOfDevice || !utf8.ValidString(serial) || strings.ContainsFunc(serial, bad) {
		return fmt.Errorf("a serial number has 1 to %d characters that can be printed", mostOfDevice)
	}
	return nil
}
