package main

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

const deviceAbout = "serial number of the device under test, for the record; at several sites SITE=SERIAL, once for each"

// mostOfDevice is how many characters of a serial number a record takes.
const mostOfDevice = 80

// deviceOf is the serial number of the device at a site, as --device has it: at several sites each stands behind its site's name.
func deviceOf(given []string, site string, sites []string) (string, error) {
	of := map[string]string{}
	for _, text := range given {
		at, serial := site, text
		if before, after, found := strings.Cut(text, "="); found && (len(sites) > 1 || before == site) {
			at, serial = strings.TrimSpace(before), after
		} else if len(sites) > 1 {
			return "", wrong(fmt.Errorf("--device %s: at several sites write SITE=SERIAL, as in %s=%s", text, sites[0], text))
		}
		serial = strings.TrimSpace(serial)
		bad := func(r rune) bool { return !unicode.IsPrint(r) }
		switch {
		case len(sites) > 1 && !slices.Contains(sites, at):
			return "", wrong(fmt.Errorf("--device %s: %s is not one of the sites that are run: %s", text, at, strings.Join(sites, ", ")))
		case serial == "" || utf8.RuneCountInString(serial) > mostOfDevice || !utf8.ValidString(serial) || strings.ContainsFunc(serial, bad):
			return "", wrong(fmt.Errorf("--device %q: a serial number has 1 to %d characters that can be printed", text, mostOfDevice))
		}
		if _, twice := of[at]; twice {
			return "", wrong(fmt.Errorf("--device %s: one serial number for one device", text))
		}
		for other, s := range of {
			if s == serial {
				return "", wrong(fmt.Errorf("--device %s: the device with this serial number is at site %s", text, other))
			}
		}
		of[at] = serial
	}
	return of[site], nil
}
