package instrument

import (
	"strings"
	"time"

	"fourwire/sim/scpi"
)

// Processing is the time that commands take before they act or are answered, by kind.
type Processing struct {
	Set, Query, Switch, Trigger, Common time.Duration
}

// Alike is the same time for every command.
func Alike(t time.Duration) Processing { return Processing{t, t, t, t, t} }

// Fast is an instrument whose commands go straight to its control: from memory, one built for automatic test.
func Fast() Processing {
	return Processing{Set: 300 * time.Microsecond, Query: 200 * time.Microsecond, Switch: 500 * time.Microsecond, Trigger: 100 * time.Microsecond, Common: 100 * time.Microsecond}
}

// Slow is an instrument whose commands go through its front panel's processor: from memory, a bench supply of the usual sort.
func Slow() Processing {
	return Processing{Set: 20 * time.Millisecond, Query: 10 * time.Millisecond, Switch: 30 * time.Millisecond, Trigger: 10 * time.Millisecond, Common: 10 * time.Millisecond}
}

// of is the time of a command's set form, by its pattern.
func (p Processing) of(pattern string) time.Duration {
	head, _, _ := strings.Cut(pattern, "[")
	switch {
	case strings.HasPrefix(head, "INITiate"), strings.HasPrefix(head, "ABORt"), pattern == triggerHead+"[:IMMediate]":
		return p.Trigger
	case strings.HasPrefix(head, "OUTPut") && strings.HasSuffix(pattern, "][:STATe]"), strings.HasPrefix(head, "INPut") && strings.HasSuffix(pattern, "][:STATe]"):
		return p.Switch
	}
	return p.Set
}

// timed gives commands their processing times.
func (p Processing) timed(commands []scpi.Command) []scpi.Command {
	for i := range commands {
		c := &commands[i]
		c.Takes, c.QueryTakes = p.of(c.Pattern), p.Query
	}
	return commands
}
