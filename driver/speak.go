package driver

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"fourwire/driver/model"
	"fourwire/driver/scpi"
)

// word is one verb with its number, or its numbers.
type word struct {
	verb   string
	x      float64   // SI
	values []float64 // SI, for {values}
}

// act says words to a channel, in one message where the model allows, and looks whether they were taken.
func (c *channel) act(ctx context.Context, words ...word) error {
	if err := c.say(ctx, words...); err != nil {
		return err
	}
	return c.in.device.Check(ctx)
}

// say is act without a look at the error queue.
func (c *channel) say(ctx context.Context, words ...word) error {
	if err := c.in.hearPosed(ctx); err != nil {
		return err
	}
	return c.utter(ctx, words...)
}

// utter sends words whatever is under way; only what makes safe does it without hearing first what was asked before.
func (c *channel) utter(ctx context.Context, words ...word) error {
	in := c.in
	in.unsettle(words)
	in.message = in.message[:0]
	for _, w := range words {
		for _, t := range c.spec.Dialect.Say[w.verb] {
			start := len(in.message)
			if start > 0 {
				in.message = append(in.message, ';')
			}
			unit := len(in.message)
			var err error
			if in.message, err = c.render(in.message, t, w); err != nil {
				return fmt.Errorf("%s: %w", w.verb, err)
			}
			if start > 0 && !in.joins(in.message, unit) {
				if err := in.send(ctx, in.message[:start]); err != nil {
					return err
				}
				in.message = in.message[:copy(in.message, in.message[unit:])]
			}
		}
	}
	if len(in.message) == 0 {
		return nil
	}
	return in.send(ctx, in.message)
}

// joins tells whether the unit at the end of a message may stay with what stands before it.
func (in *Instrument) joins(message []byte, unit int) bool {
	w := in.model.Wire
	if !w.Compound || in.config.CheckEachCommand || (w.MaxMessage > 0 && len(message) > w.MaxMessage) {
		return false
	}
	return message[unit] == ':' || message[unit] == '*'
}

func (in *Instrument) send(ctx context.Context, message []byte) error {
	if most := in.model.Wire.MaxMessage; most > 0 && len(message) > most {
		return fmt.Errorf("%q has %d bytes, and the instrument takes %d", message, len(message), most)
	}
	if err := in.device.Command(ctx, message); err != nil {
		return err
	}
	if in.config.CheckEachCommand {
		return in.device.Check(ctx)
	}
	return nil
}

// render writes a template; the numbers of its slots are those of w.
func (c *channel) render(dst []byte, t model.Template, w word) ([]byte, error) {
	return t.Append(dst, func(dst []byte, s model.Slot) ([]byte, error) {
		x, format := w.x, formatOf(s)
		switch s.Name {
		case "ch":
			return scpi.AppendNumber(dst, float64(c.number), scpi.Format{Form: scpi.NR1})
		case "cycles":
			x *= c.in.config.MainsHertz
		case "offset":
			x = -x
			fallthrough
		case "count", "line":
			if s.Form == "" {
				format.Form = scpi.NR1
			}
		case "values":
			return appendNumbers(dst, w.values, format)
		}
		return scpi.AppendNumber(dst, x, format)
	})
}

// appendNumbers writes numbers with commas between them.
func appendNumbers(dst []byte, values []float64, format scpi.Format) (_ []byte, err error) {
	for i, x := range values {
		if i > 0 {
			dst = append(dst, ',')
		}
		if dst, err = scpi.AppendNumber(dst, x, format); err != nil {
			return dst, err
		}
	}
	return dst, nil
}

func formatOf(s model.Slot) scpi.Format {
	f := scpi.Format{Digits: s.Digits, Scale: s.Scale}
	switch s.Form {
	case "NR1":
		f.Form = scpi.NR1
	case "NR2":
		f.Form = scpi.NR2
	case "NR3":
		f.Form = scpi.NR3
	}
	return f
}

// ask asks a question of a channel and takes the answer apart.
func (c *channel) ask(ctx context.Context, verb string) (answer, error) {
	return c.askWithin(ctx, verb, 0)
}

// askWithin is ask for a question whose answer may take longer than an ordinary one, by longer.
func (c *channel) askWithin(ctx context.Context, verb string, longer time.Duration) (answer, error) {
	if err := c.in.hearPosed(ctx); err != nil {
		return answer{}, err
	}
	q := c.spec.Dialect.Ask[verb]
	questions, err := c.questions(verb)
	if err != nil {
		return answer{}, err
	}
	var raw []byte
	for i, question := range questions {
		got, err := c.in.device.AskWithin(ctx, question, c.in.within(longer))
		if err != nil {
			return answer{}, err
		}
		if len(questions) == 1 {
			raw = got
			break
		}
		if i > 0 {
			raw = append(raw, ';')
		}
		raw = append(raw, got...)
	}
	a, err := c.in.read(q, raw)
	if err != nil {
		return answer{}, c.in.device.Fault(bytes.Join(questions, []byte(";")), err)
	}
	return a, nil
}

// within is the time for an ordinary answer and some more.
func (in *Instrument) within(longer time.Duration) time.Duration {
	w := in.model.Wire.AnswerWithin
	if w == 0 {
		w = 2 * time.Second
	}
	return w + longer
}

// questions are the messages of a question: one where the model allows compound messages.
func (c *channel) questions(verb string) ([][]byte, error) {
	var out [][]byte
	for _, t := range c.spec.Dialect.Ask[verb].Send {
		unit, err := c.render(nil, t, word{})
		if err != nil {
			return nil, err
		}
		if n := len(out); n > 0 {
			joined := append(append(bytes.Clone(out[n-1]), ';'), unit...)
			if c.in.joins(joined, len(joined)-len(unit)) {
				out[n-1] = joined
				continue
			}
		}
		out = append(out, unit)
	}
	if len(out) == 0 {
		return nil, c.cannot("answering " + verb)
	}
	return out, nil
}

func (c *channel) canSay(verb string) bool { return c.spec.Dialect.CanSay(verb) }
func (c *channel) canAsk(verb string) bool { return c.spec.Dialect.CanAsk(verb) }
