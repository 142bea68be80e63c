package driver

import (
	"bytes"
	"context"
	"math"

	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/driver/scpi"
	"fourwire/quantity"
)

// Settings is what a channel says is set; NaN where it cannot say.
type Settings struct {
	Volts, Amps float64           // of a source; of one that forces amps its compliance and its level
	Hold        quantity.Quantity // of a load, in the mode that it was put into
}

// inspection is one look at a channel: several questions, in one message where the model allows.
type inspection struct {
	verbs   []string
	answers map[string]answer
}

// Inspect is Status together with what is set and whether the instrument has restarted (ErrRestarted): one exchange of messages where
// the model takes compound ones. It is for looking, at each point, whether everything is still as this side left it.
func (s *Source) Inspect(ctx context.Context) (Status, Settings, error) {
	if s.forces {
		return s.look(ctx, "limit volts", "force amps")
	}
	return s.look(ctx, "set volts", "set amps")
}

// Inspect is Status together with what the load is set to hold and whether it has restarted (ErrRestarted).
func (l *Load) Inspect(ctx context.Context) (Status, Settings, error) {
	if l.mode == "" {
		return l.look(ctx)
	}
	return l.look(ctx, "hold "+l.mode)
}

func (c *channel) look(ctx context.Context, settings ...string) (Status, Settings, error) {
	set := Settings{Volts: math.NaN(), Amps: math.NaN(), Hold: quantity.Of(math.NaN(), quantity.Current)}
	in := inspection{answers: map[string]answer{}}
	for _, verb := range append([]string{"status", "events"}, settings...) {
		if c.canAsk(verb) {
			in.verbs = append(in.verbs, verb)
		}
	}
	if !c.canAsk("status") || !c.canSay("clear") { // a register that was never emptied shows an old power-on
		in.verbs = without(in.verbs, "events")
	}
	if !c.canAsk("status") {
		st, err := c.status(ctx)
		if err != nil {
			return st, set, err
		}
		return st, set, c.wrap(c.inquire(ctx, &in, &set))
	}
	if err := c.inquire(ctx, &in, &set); err != nil {
		return Status{}, set, c.wrap(err)
	}
	return c.interpret(in.answers["status"]), set, nil
}

func without(list []string, word string) []string {
	out := list[:0]
	for _, w := range list {
		if w != word {
			out = append(out, w)
		}
	}
	return out
}

// inquire asks the questions of an inspection and reads what is set.
func (c *channel) inquire(ctx context.Context, in *inspection, set *Settings) error {
	if err := c.askAll(ctx, in); err != nil {
		return err
	}
	for verb, into := range map[string]*float64{"set volts": &set.Volts, "set amps": &set.Amps, "limit volts": &set.Volts, "force amps": &set.Amps} {
		if a, ok := in.answers[verb]; ok {
			if n, err := a.number(); err == nil {
				*into = n.X
			}
		}
	}
	for unit, dim := range map[string]quantity.Dimension{"amps": quantity.Current, "volts": quantity.Voltage, "ohms": quantity.Resistance, "watts": quantity.Power} {
		if a, ok := in.answers["hold "+unit]; ok {
			if n, err := a.number(); err == nil {
				set.Hold = quantity.Of(n.X, dim)
			}
		}
	}
	if a, ok := in.answers["events"]; ok {
		return c.in.device.Restarted(ieee488.Events(a.fields[0].whole))
	}
	return nil
}

// askAll asks every question of an inspection: joined, where the dialect writes each as one message with elements that can be counted.
func (c *channel) askAll(ctx context.Context, in *inspection) error {
	message, ok, err := c.joined(in.verbs)
	if err != nil {
		return err
	}
	if !ok {
		for _, verb := range in.verbs {
			a, err := c.ask(ctx, verb)
			if err != nil {
				return err
			}
			in.answers[verb] = a.kept()
		}
		return nil
	}
	if err := c.in.hearPosed(ctx); err != nil {
		return err
	}
	raw, err := c.in.device.AskWithin(ctx, message, c.in.within(0))
	if err != nil {
		return err
	}
	parts, err := scpi.Split(raw, nil)
	want := 0
	for _, verb := range in.verbs {
		want += len(c.spec.Dialect.Ask[verb].Fields)
	}
	if err == nil && len(parts) != want {
		err = scpi.ErrFields
	}
	for _, verb := range in.verbs {
		if err != nil {
			break
		}
		q := c.spec.Dialect.Ask[verb]
		var a answer
		a, err = c.in.fill(q, raw, parts[:len(q.Fields)])
		in.answers[verb], parts = a, parts[len(q.Fields):]
	}
	if err != nil {
		return c.in.device.Fault(message, err)
	}
	return nil
}

// joined is the message that asks several questions at once; false where the dialect or the model does not allow it.
func (c *channel) joined(verbs []string) (message []byte, ok bool, err error) {
	if len(verbs) < 2 {
		return nil, false, nil
	}
	for _, verb := range verbs {
		q := c.spec.Dialect.Ask[verb]
		if q.Match != nil || !counted(q) {
			return nil, false, nil
		}
		units, err := c.questions(verb)
		if err != nil {
			return nil, false, err
		}
		if len(units) != 1 {
			return nil, false, nil
		}
		start := len(message)
		if start > 0 {
			message = append(message, ';')
		}
		message = append(message, units[0]...)
		if start > 0 && !c.in.joins(message, start+1) {
			return nil, false, nil
		}
	}
	return message, true, nil
}

// counted tells whether every element of an answer is one that separators end.
func counted(q model.Query) bool {
	for _, f := range q.Fields {
		if f.Form == "text" {
			return false
		}
	}
	return len(q.Fields) > 0
}

// kept is an answer that stands beyond the next question.
func (a answer) kept() answer {
	for i := range a.fields {
		a.fields[i].text = bytes.Clone(a.fields[i].text)
	}
	return a
}
