package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
)

// Command is what one member asks another to do now. It is never kept: what cannot be heard now is not done later.
type Command struct {
	Do  string `json:"do"` // off, cancel, resume
	Job string `json:"job,omitempty"`
	Who string `json:"who"`           // by name
	By  string `json:"by"`            // the member through which it came
	Now int64  `json:"now,omitempty"` // ms, only said
}

// Answer is what came of a command. Status and Data are as those of an answer over HTTP.
type Answer struct {
	Heard  bool            `json:"heard,omitempty"` // it is being carried out; what came of it follows
	Status int             `json:"status,omitempty"`
	Data   json.RawMessage `json:"data,omitempty"`
}

const heardWithin = 3 * time.Second

func (l *Lab) commandSubject(name string) string { return l.options.Lab + ".do." + name }

// Ask has another member do something and gives its answer. Where it does not even say within 3 s that it has heard, the error is ErrNoAnswer.
func (l *Lab) Ask(ctx context.Context, name string, c Command, within time.Duration) (Answer, error) {
	if !ValidName(name) {
		return Answer{}, fmt.Errorf("%w: there is no member %.60q", ErrNoAnswer, name)
	}
	c.By, c.Now = l.options.Name, l.clock.Now().UnixMilli()
	data, err := json.Marshal(c)
	if err != nil {
		return Answer{}, err
	}
	if !l.conn.IsConnected() {
		return Answer{}, fmt.Errorf("%w from %s: the cluster is not reachable", ErrNoAnswer, name)
	}
	inbox := l.conn.NewInbox()
	answers, err := l.conn.SubscribeSync(inbox)
	if err != nil {
		return Answer{}, err
	}
	defer func() { _ = answers.Unsubscribe() }() // the connection may be gone
	if err := l.conn.PublishRequest(l.commandSubject(name), inbox, data); err != nil {
		return Answer{}, fmt.Errorf("%w from %s: %w", ErrNoAnswer, name, err)
	}
	for wait := heardWithin; ; wait = within {
		waiting, cancel := l.clock.WithTimeout(ctx, wait)
		m, err := answers.NextMsgWithContext(waiting)
		cancel()
		if err != nil || m.Header.Get("Status") == "503" {
			if err == nil || errors.Is(err, nats.ErrNoResponders) {
				err = errors.New("nobody of this name listens")
			}
			return Answer{}, fmt.Errorf("%w from %s: %w", ErrNoAnswer, name, err)
		}
		if a, ok := decode[Answer](m.Data); ok && !a.Heard {
			return a, nil
		}
	}
}

// answerCommands does what others ask of this member until ctx ends. Each is carried out at once, beside the others.
func (l *Lab) answerCommands(ctx context.Context) {
	sub, err := l.conn.Subscribe(l.commandSubject(l.options.Name), func(m *nats.Msg) {
		c, ok := decode[Command](m.Data)
		if !ok {
			return
		}
		l.mu.Lock()
		taken := l.taken != nil
		l.mu.Unlock()
		if taken || l.clock.Now().Sub(time.UnixMilli(c.Now)).Abs() > staleAfter && c.Do != "off" {
			return
		}
		l.reply(m, Answer{Heard: true})
		go func() { l.reply(m, l.options.Member.Do(ctx, c)) }()
	})
	if err != nil {
		l.log("error", "other members cannot be listened to", map[string]any{"error": err.Error()})
		return
	}
	<-ctx.Done()
	_ = sub.Unsubscribe() // the connection may be gone
}

// staleAfter is how old a command may be by the clocks of two computers: one that was under way for long is not carried out any more, but for the one that
// makes safe.
const staleAfter = 5 * time.Minute

func (l *Lab) reply(m *nats.Msg, a Answer) {
	data, err := json.Marshal(a)
	if err == nil {
		err = m.Respond(data)
	}
	if err != nil {
		l.log("warn", "an answer to another member was not sent", map[string]any{"error": err.Error()})
	}
}
