package hookup

import (
	"fmt"
	"strings"

	"fourwire/quantity"
)

// Text is the report for people, as plain lines.
func (r *Report) Text() string {
	var b strings.Builder
	r.headline(&b)
	for _, f := range r.Faults {
		word := "FAULT"
		if f.Doubt {
			word = "doubt"
		}
		fmt.Fprintf(&b, "\n%s    %s\n  seen   %s\n  do     %s\n", word, f.Text, f.Evidence, f.Remedy)
	}
	if len(r.Levels) > 0 {
		b.WriteString("\nlevels\n")
		rows := [][]string{{"channel", "node", "set", "limit", "over-voltage at", "node is meant for"}}
		for _, l := range r.Levels {
			rows = append(rows, []string{l.Channel, l.Node, volts(l.Volts), amps(l.Amps), orDash(l.OverV, quantity.Voltage), orDash(l.NominalV, quantity.Voltage)})
		}
		table(&b, rows)
	}
	if len(r.Leads) > 0 {
		b.WriteString("\nleads, each conductor (mean of the two)\n")
		rows := [][]string{{"channel", "node", "measured", "stated", "with"}}
		for _, l := range r.Leads {
			measured := fmt.Sprintf("%s +- %s", ohms(l.Ohm), ohms(l.U))
			if l.Why != "" {
				measured = "not measured: " + l.Why
			}
			rows = append(rows, []string{l.Channel, l.Node, measured, orDash(l.StatedOhm, quantity.Resistance), orDash(l.Amps, quantity.Current)})
		}
		table(&b, rows)
	}
	r.readings(&b)
	list(&b, "\nnot told at this level\n", r.NotTold)
	var after []string
	for _, a := range r.After {
		after = append(after, a.Node+": "+a.State)
	}
	list(&b, "\nafterwards, everything off\n", after)
	return b.String()
}

func (r *Report) headline(b *strings.Builder) {
	faults, doubts := 0, 0
	for _, f := range r.Faults {
		if f.Doubt {
			doubts++
		} else {
			faults++
		}
	}
	words := fmt.Sprintf("hook-up: all right as far as it can be told (%.1f s)", r.Seconds)
	switch {
	case faults == 1:
		words = fmt.Sprintf("hook-up: NOT right, one fault (%.1f s)", r.Seconds)
	case faults > 1:
		words = fmt.Sprintf("hook-up: NOT right, %d faults (%.1f s)", faults, r.Seconds)
	case !r.Right:
		words = "hook-up: not finished"
	case doubts > 0:
		words += fmt.Sprintf(", %d in doubt", doubts)
	}
	b.WriteString(words + "\n")
}

// readings is a table of what every channel read: one row a channel, one column for each source that was on.
func (r *Report) readings(b *strings.Builder) {
	if len(r.Seen) == 0 {
		return
	}
	var on []string
	var channels []Seen
	cells := map[[2]string]string{}
	has := func(list []string, x string) bool {
		for _, l := range list {
			if l == x {
				return true
			}
		}
		return false
	}
	known := map[string]bool{}
	for _, s := range r.Seen {
		if !has(on, s.Energised) {
			on = append(on, s.Energised)
		}
		if !known[s.Channel] {
			known[s.Channel] = true
			channels = append(channels, s)
		}
		var parts []string
		if s.Volts != nil {
			parts = append(parts, volts(*s.Volts))
		}
		if s.Amps != nil {
			parts = append(parts, amps(*s.Amps))
		}
		cells[[2]string{s.Channel, s.Energised}] = strings.Join(parts, ", ")
	}
	b.WriteString("\nreadings\n")
	head := []string{"channel", "node", "as"}
	for _, o := range on {
		if o == "" {
			o = "all off"
		} else {
			o += " on"
		}
		head = append(head, o)
	}
	rows := [][]string{head}
	for _, c := range channels {
		row := []string{c.Channel, c.Node, c.As}
		for _, o := range on {
			row = append(row, cells[[2]string{c.Channel, o}])
		}
		rows = append(rows, row)
	}
	table(b, rows)
}

func orDash(x float64, dim quantity.Dimension) string {
	if x == 0 {
		return "-"
	}
	return quantity.Of(x, dim).Text(3)
}

func list(b *strings.Builder, head string, items []string) {
	if len(items) == 0 {
		return
	}
	b.WriteString(head)
	for _, i := range items {
		b.WriteString("  - " + i + "\n")
	}
}

// table writes rows with their columns lined up.
func table(b *strings.Builder, rows [][]string) {
	var width []int
	for _, row := range rows {
		for i, c := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			width[i] = max(width[i], len([]rune(c)))
		}
	}
	for _, row := range rows {
		line := " "
		for i, c := range row {
			line += " " + c + strings.Repeat(" ", width[i]-len([]rune(c))+1)
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
}
