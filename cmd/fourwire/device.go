package main

import (
	"fmt"
	"slices"
	"strings"

	"fourwire/record"
)

const deviceAbout = "serial number of the device under test, for the record; at several sites SITE=SERIAL, once for each"

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
		if len(sites) > 1 && !slices.Contains(sites, at) {
			return "", wrong(fmt.Errorf("--device %s: %s is not one of the sites that are run: %s", text, at, strings.Join(sites, ", ")))
		}
		if err := record.CheckDevice(serial); err != nil {
			return "", wrong(fmt.Errorf("--device %q: %w", text, err))
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
