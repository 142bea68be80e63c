// Package hazard works out what could hurt somebody before anything is switched on: voltages that are dangerous to touch, energy that stays stored, heat.
// It informs; local codes and the rules of the site come first.
package hazard

import (
	"fmt"
	"math"

	"fourwire/driver/bench"
	"fourwire/quantity"
)

// Level is how grave a caution is.
type Level uint8

// The levels.
const (
	Info    Level = iota // worth knowing
	Caution              // take care
	Warning              // somebody must acknowledge it
)

// String is the word for a level.
func (l Level) String() string { return [...]string{"note", "CAUTION", "WARNING"}[l%3] }

// Limits of this package, own choices.
const (
	cautionJoules = 1.0 // from here on stored energy is a caution: 18 J burn and weld although 60 V count as safe to touch
	cautionWatts  = 50.0
	lowVolts      = 1.0 // below, a node counts as discharged
	highAmps      = 20.0
)

// Node is what a test may put on a node of the device.
type Node struct {
	Name       string
	Volts      float64 // the most that the guard, or what is planned, allows
	Amps       float64 // likewise; 0: not known
	Watts      float64 // that a load turns into heat there; 0: none or not known
	Farads     float64 // 0: not known
	BleederOhm float64 // 0: not known
}

// Note is one caution.
type Note struct {
	Level Level
	Node  string
	Title string // "voltage", "stored energy", "current", "heat"
	Text  string
}

// String is the note on one line.
func (n Note) String() string { return fmt.Sprintf("%s: %s", n.Level, n.Text) }

const local = "; local codes come first, and wet or medical surroundings ask for less"

// Of lists what to take care of, node by node.
func Of(nodes []Node, touch bench.Touch) []Note {
	var out []Note
	for _, n := range nodes {
		volts := math.Abs(n.Volts)
		text := quantity.Of(volts, quantity.Voltage).Text(3)
		switch {
		case volts >= touch.WarnVolts:
			out = append(out, Note{Warning, n.Name, "voltage", fmt.Sprintf("up to %s at %s can be dangerous to touch: cover live parts, switch on with hands off, do not work alone%s", text, n.Name, local)})
		case volts >= touch.CautionVolts:
			out = append(out, Note{Caution, n.Name, "voltage", fmt.Sprintf("up to %s at %s: some standards no longer call that safe to touch; cover live parts%s", text, n.Name, local)})
		}
		if n.Farads > 0 {
			out = append(out, stored(n, volts))
		}
		if math.Abs(n.Amps) >= highAmps {
			out = append(out, Note{Caution, n.Name, "current", fmt.Sprintf("up to %s at %s heats a ring or a tool to burning at any voltage: take rings off, insulate tools", quantity.Of(n.Amps, quantity.Current).Text(3), n.Name)})
		}
		if n.Watts >= cautionWatts {
			out = append(out, Note{Caution, n.Name, "heat", fmt.Sprintf("up to %s end as heat in the load at %s: keep its air free and take surfaces for hot", quantity.Of(n.Watts, quantity.Power).Text(3), n.Name)})
		}
	}
	return out
}

// stored is the energy that stays in a node's capacitance, E = C V^2 / 2, and the time until it is discharged, t = R C ln(V/Vsafe).
func stored(n Node, volts float64) Note {
	joules := Energy(n.Farads, volts)
	level := Info
	if joules >= cautionJoules {
		level = Caution
	}
	text := fmt.Sprintf("%s stay stored at %s in %s at %s", quantity.Of(joules, quantity.Energy).Text(2), n.Name, quantity.Of(n.Farads, quantity.Capacitance).Text(3), quantity.Of(volts, quantity.Voltage).Text(3))
	if n.BleederOhm > 0 {
		text += fmt.Sprintf("; below %s after about %s through %s", quantity.Of(lowVolts, quantity.Voltage).Text(2),
			quantity.Of(TimeTo(n.BleederOhm, n.Farads, volts, lowVolts), quantity.Time).Text(2), quantity.Of(n.BleederOhm, quantity.Resistance).Text(3))
	} else {
		text += "; how long it stays there is not known"
	}
	return Note{level, n.Name, "stored energy", text + "; measure before you touch"}
}

// Energy is what a capacitor holds, in J: C V^2 / 2.
func Energy(farads, volts float64) float64 { return farads * volts * volts / 2 }

// TimeTo is how long a capacitor takes to fall from one voltage to another through a resistance, in s: R C ln(V/Vto); 0 where it is there already.
func TimeTo(ohms, farads, volts, to float64) float64 {
	if volts <= to {
		return 0
	}
	return ohms * farads * math.Log(volts/to)
}

// Gravest is the gravest of some notes.
func Gravest(notes []Note) Level {
	worst := Info
	for _, n := range notes {
		worst = max(worst, n.Level)
	}
	return worst
}
