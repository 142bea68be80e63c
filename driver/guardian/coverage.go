package guardian

import (
	"fmt"
	"slices"
	"strings"
)

// Coverage says which ends of a run leave the bench switched off.
type Coverage struct {
	Ends []End `json:"ends"`
}

// End is one way in which a run can end.
type End struct {
	End     string `json:"end"`
	Covered bool   `json:"covered"`
	How     string `json:"how"` // what switches off, or why nothing does
}

// The ways in which a run can end.
const (
	NormalEnd     = "normal end"
	EndByError    = "error"
	Interrupted   = "interrupted"
	Killed        = "killed"
	Hung          = "hung"
	ComputerFails = "computer fails"
	CablePulled   = "cable pulled"
)

// ByTheRun is what the run itself covers.
func byTheRun() []End {
	how := "the run switches off: loads, then sources, each verified"
	return []End{{NormalEnd, true, how}, {EndByError, true, how}, {Interrupted, true, how + " (Ctrl-C, termination, closed terminal)"}}
}

// InProcess is the coverage of a bench that is simulated in the process of the run.
func InProcess() Coverage {
	how := "the bench is simulated in this process and ends with it; there is nothing to guard"
	ends := byTheRun()
	for _, e := range []string{Killed, Hung, ComputerFails, CablePulled} {
		ends = append(ends, End{e, true, how})
	}
	return Coverage{ends}
}

// Covers is the coverage of a bench with a guardian that has these hands.
func Covers(hands []Hand) Coverage {
	ends := byTheRun()
	killed, hung := "the guardian process switches off as soon as the run is gone",
		fmt.Sprintf("the guardian process switches off when the beat stays out for %v; a step that stands still for more than %v has none", BeatWithin, Slack)
	var waiting, watched, bare, lost []string
	for _, h := range hands {
		if h.Turn == Never {
			continue
		}
		switch {
		case h.Connected:
		case h.Problem != "":
			lost = append(lost, h.Instrument)
		default:
			waiting = append(waiting, h.Instrument)
		}
		if h.Watchdog && h.Connected {
			watched = append(watched, h.Instrument)
		} else {
			bare = append(bare, h.Instrument)
		}
	}
	if len(waiting) > 0 {
		names := strings.Join(waiting, ", ")
		killed += "; " + names + " over the run's connection, once that is free"
		hung += "; " + names + " takes one connection: the hung run is ended to get it"
	}
	if len(lost) > 0 {
		names := strings.Join(lost, ", ")
		killed += "; " + names + " gave it no connection of its own: it tries when the run's is free"
		hung += "; " + names + " gave it no connection of its own: the hung run is ended to get it"
	}
	dog, covered := "no instrument here has a watchdog of its own", len(bare) == 0 && len(watched) > 0
	switch {
	case covered:
		dog = fmt.Sprintf("the watchdogs of %s switch off after %v without a message", strings.Join(watched, ", "), WatchdogAfter)
	case len(watched) > 0:
		dog = fmt.Sprintf("the watchdogs of %s alone switch off after %v; %s stay as they are", strings.Join(watched, ", "), WatchdogAfter, strings.Join(bare, ", "))
	}
	return Coverage{append(ends, End{Killed, true, killed}, End{Hung, true, hung}, End{ComputerFails, covered, dog}, End{CablePulled, covered, dog})}
}

// Covered tells whether an end is covered.
func (c Coverage) Covered(end string) bool {
	return slices.ContainsFunc(c.Ends, func(e End) bool { return e.End == end && e.Covered })
}

// Text is the coverage on one line: which ends are covered, and which are not.
func (c Coverage) Text() string {
	var yes, no []string
	for _, e := range c.Ends {
		if e.Covered {
			yes = append(yes, e.End)
		} else {
			no = append(no, e.End)
		}
	}
	text := "switched off at: " + strings.Join(yes, ", ")
	if len(no) > 0 {
		text += "; NOT COVERED: " + strings.Join(no, ", ")
	}
	return text
}
