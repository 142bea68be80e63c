package transport

import "context"

// Link carries whole messages to and from one instrument. One goroutine at a time may use it; only Close may be called
// while another call is under way, and makes that call return.
type Link interface {
	// Send hands over one whole message in one write. The terminator is added where it is missing. msg is not changed and
	// not kept. A context that is done before the call changes nothing.
	Send(ctx context.Context, msg []byte) error

	// Receive waits for one whole response and returns it without its terminator, in the memory of into where it fits: pass
	// the slice of the last call again to avoid fresh memory, which for a long block is most of the cost. A definite block is read
	// straight into its place. With an error, msg is what had come of the response; a *Error says how far it went.
	Receive(ctx context.Context, into []byte) (msg []byte, err error)

	// Close ends the link. A second Close does nothing and returns nil.
	Close() error
}

// Clearer is the ability to bring the instrument's interface and the link back into step: device clear, where the wire
// has one, else the throwing away of everything that comes until the wire is quiet. In the latter case an answer that is later than that
// can still come: prefer Resync where the instrument can answer something.
type Clearer interface {
	Clear(ctx context.Context) error
}

// Redialer is the ability to give the connection up and to open it again. It is never done unasked: what the instrument thinks of a
// new connection (outputs off, settings lost, half a message forgotten) is for the caller to judge.
type Redialer interface {
	Redial(ctx context.Context) error
}

// LineReader is the ability to read plain lines: with on, a response ends at the first line end, whatever quotes or block headers
// it has. It is meant for single answers with stray quotes, such as an instrument's free-text name. The setting stays until changed.
type LineReader interface {
	PlainLine(on bool)
}

// As looks for an ability in l, then in the link that l wraps (by a method Unwrap() Link), and so on.
func As[T any](l Link) (ability T, ok bool) {
	for l != nil {
		if ability, ok = l.(T); ok {
			return ability, true
		}
		wrapper, wraps := l.(interface{ Unwrap() Link })
		if !wraps {
			break
		}
		l = wrapper.Unwrap()
	}
	return ability, false
}
