package plan

import (
	"fmt"
	"slices"
	"strings"

	"fourwire/driver/model"
	"fourwire/sequence"
)

// event fills in how the event comes to each part.
func (c *binder) event(one *Capture, choice []sampler) (why string) {
	t := &one.Step.Trigger
	var names []string
	for _, p := range one.Parts {
		names = append(names, p.Channel.Instrument)
	}
	switch t.On {
	case sequence.OnLevel:
		for i, s := range one.Step.Signals {
			if s.Name != t.Signal {
				continue
			}
			one.Sees = slices.IndexFunc(one.Parts, func(p CapturePart) bool { return p.Channel == choice[i].ch })
			on := model.OnVolts
			if s.Function == sequence.Amps {
				on = model.OnAmps
			}
			return c.seenBy(one, names, on, fmt.Sprintf("%s sees %s", choice[i].ch, t.Text))
		}
		return "the trigger names no signal of it"
	case sequence.OnOutput, sequence.OnSteps:
		return c.causedBy(one, names)
	}
	on := model.AtOnce
	if t.On == sequence.Software || len(one.Parts) > 1 {
		on = model.Software
	}
	reasons := ""
	for i := range one.Parts {
		one.Sees = i
		what := "the computer triggers " + names[i]
		if on == model.AtOnce {
			what = names[i] + " begins at once"
		}
		if reasons = c.seenBy(one, names, on, what); reasons == "" && !one.Apart {
			return ""
		}
	}
	return reasons
}

// seenBy has the part that sees the event pass it on to the others: on a line, or, where there is none, through the computer.
func (c *binder) seenBy(one *Capture, names []string, on, what string) (why string) {
	one.Apart, one.Line, one.SkewSeconds = false, 0, 0
	sees := &one.Parts[one.Sees]
	if !sees.Spec.CanTrigger(on) {
		return fmt.Sprintf("%s does not wait for %s", sees.Channel, words(on))
	}
	sees.On, one.How = on, what
	if len(one.Parts) == 1 {
		return ""
	}
	line, ok := c.plan.Bench.LineFrom(names[one.Sees], names...)
	for i := range one.Parts {
		ok = ok && (i == one.Sees || one.Parts[i].Spec.CanTrigger(model.OnLine))
	}
	if ok {
		one.From, one.Line, one.Pulse = names[one.Sees], line, model.PulseTake
		for i := range one.Parts {
			if i != one.Sees {
				one.Parts[i].On = model.OnLine
				c.lineSkew(one, i)
			}
		}
		one.How += fmt.Sprintf(", and passes it on to %s on trigger line %d", others(names, one.Sees), line)
		return ""
	}
	for i := range one.Parts {
		if !one.Parts[i].Spec.CanTrigger(model.Software) {
			return fmt.Sprintf("no trigger line leads from %s to %s, and %s takes no software trigger", names[one.Sees], others(names, one.Sees), names[i])
		}
		one.Parts[i].On = model.Software
	}
	one.Apart, one.Sees = true, -1
	one.How = fmt.Sprintf("no trigger line joins %s: the computer triggers one after the other just before the steps", others(names, -1))
	return ""
}

// causedBy has the instrument of the trigger's role tell the others.
func (c *binder) causedBy(one *Capture, names []string) (why string) {
	t := &one.Step.Trigger
	i := c.plan.RoleIndex(t.Role)
	if i < 0 || c.plan.Roles[i].Channel == (Channel{}) {
		return "nothing serves " + t.Role
	}
	ch := c.plan.Roles[i].Channel
	pulse, itself, says := model.PulseStep, model.OnLine, fmt.Sprintf("%s (%s) pulses at the first step of its list", t.Role, ch)
	if t.On == sequence.OnOutput {
		pulse, itself, says = model.OnOutput, model.OnOutput, fmt.Sprintf("%s (%s) tells that it goes on", t.Role, ch)
	}
	var listen []string
	for k := range one.Parts {
		p := &one.Parts[k]
		p.On = model.OnLine
		if p.Channel == ch {
			p.On = itself
		}
		if !p.Spec.CanTrigger(p.On) {
			return fmt.Sprintf("%s does not wait for %s", p.Channel, words(p.On))
		}
		if p.On == model.OnLine {
			listen = append(listen, names[k])
			c.lineSkew(one, k)
		}
	}
	one.How = says
	if len(listen) == 0 {
		return ""
	}
	line, ok := c.plan.Bench.LineFrom(ch.Instrument, listen...)
	if !ok && !slices.ContainsFunc(listen, func(name string) bool { return name != ch.Instrument }) && c.models[ch.Instrument].Lines() > 0 {
		line, ok = 1, true // its own line is enough for itself
	}
	if !ok {
		return fmt.Sprintf("no trigger line leads from %s to %s", ch.Instrument, others(listen, -1))
	}
	one.From, one.Line, one.Pulse = ch.Instrument, line, pulse
	one.How += fmt.Sprintf(", on trigger line %d to %s", line, others(listen, -1))
	return ""
}

// lineSkew adds what a trigger line leaves open between part i and the one that sees the event: its delay, jitter and one interval.
func (c *binder) lineSkew(one *Capture, i int) {
	skew := one.Step.Every.SI
	if ch := c.channel(one.Parts[i].Channel); ch != nil && ch.Triggers != nil {
		skew += (ch.Triggers.Delay + ch.Triggers.Jitter).Seconds()
	}
	one.SkewSeconds = max(one.SkewSeconds, skew)
}

func words(on string) string {
	switch on {
	case model.OnVolts, model.OnAmps:
		return "a level of its " + on
	case model.OnLine:
		return "a trigger line"
	case model.OnOutput:
		return "its output"
	}
	return "a trigger " + on
}

// others lists names but one: "a, b and c".
func others(names []string, but int) string {
	var list []string
	for i, n := range names {
		if i != but {
			list = append(list, n)
		}
	}
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
