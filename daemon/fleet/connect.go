package fleet

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Secrets are what a member proves with that it may join, each in a file or handed in: none of them is ever written to a log.
type Secrets struct {
	Creds     string // file of credentials, as account servers hand them out
	Token     string // the token itself
	CA        string // file of the authority that vouches for the servers; empty: those of the system
	Cert, Key string // files of a client certificate
	Plain     bool   // servers on other computers without TLS are allowed
}

const (
	pingEvery     = 5 * time.Second
	connectWithin = 3 * time.Second
	inputPart     = 256 << 10
	recordsTTL    = 30 * 24 * time.Hour
	eventsTTL     = time.Hour
	eventsBytes   = 64 << 20
)

// CheckServer refuses an address that holds credentials, which would stand in the list of processes, and, unless plain is allowed, one on another computer
// without TLS.
func CheckServer(address string, plain bool) error {
	u, err := url.Parse(address)
	switch {
	case err != nil:
		return errors.New("it is no address of a message server, as in nats://host:4222") // the text may hold a secret
	case u.User != nil:
		return errors.New("credentials do not belong into the address of a message server: hand them in by a file")
	case u.Scheme != "nats" && u.Scheme != "tls" || u.Host == "":
		return fmt.Errorf("%.80q is no address of a message server, as in nats://host:4222", address)
	case u.Scheme == "nats" && !plain && !loopback(u.Hostname()):
		return fmt.Errorf("%.80q is on another computer: what passes there has to be protected by TLS", address)
	}
	return nil
}

func loopback(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// connect begins to connect, and goes on by itself until the connection is closed.
func (l *Lab) connect() error {
	o := l.options
	for _, s := range o.Servers {
		if err := CheckServer(s, o.Secrets.Plain || o.Secrets.CA != ""); err != nil {
			return err
		}
	}
	options := []nats.Option{
		nats.Name("fourwire " + o.Name), nats.MaxReconnects(-1), nats.RetryOnFailedConnect(true), nats.ReconnectWait(500 * time.Millisecond),
		nats.ReconnectBufSize(-1), // what cannot be sent now is an error, and whoever sends decides
		nats.ReconnectErrHandler(func(_ *nats.Conn, err error) { l.failed(err) }),
		nats.IgnoreAuthErrorAbort(), // whoever lets members in may be told of this one later
		nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(2), nats.Timeout(connectWithin),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) { l.cut(err) }),
		nats.ReconnectHandler(func(*nats.Conn) { l.back() }),
		nats.ConnectHandler(func(*nats.Conn) { l.back() }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			l.log("warn", "the lab", map[string]any{"error": err.Error()})
		}),
	}
	if o.Secrets.Creds != "" {
		options = append(options, nats.UserCredentials(o.Secrets.Creds))
	}
	if o.Secrets.Token != "" {
		options = append(options, nats.Token(o.Secrets.Token))
	}
	if o.Secrets.CA != "" {
		options = append(options, nats.RootCAs(o.Secrets.CA))
	}
	if o.Secrets.Cert != "" {
		options = append(options, nats.ClientCert(o.Secrets.Cert, o.Secrets.Key))
	}
	conn, err := nats.Connect(strings.Join(o.Servers, ","), options...)
	if err != nil {
		return fmt.Errorf("the lab: %w", err)
	}
	l.conn = conn
	if l.js, err = jetstream.New(conn); err != nil {
		conn.Close()
	}
	return err
}

// failed notes why a server did not let this member in.
func (l *Lab) failed(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err != nil {
		l.refusal = err
	}
}

// cut notes that the connection is gone.
func (l *Lab) cut(err error) {
	l.mu.Lock()
	was := l.lost.IsZero()
	if was {
		l.lost = l.clock.Now()
	}
	l.mu.Unlock()
	if was {
		fields := map[string]any{}
		if err != nil {
			fields["error"] = err.Error()
		}
		l.log("warn", "the cluster is not reachable: what runs goes on, nothing new starts", fields)
		l.options.Member.SeenMembers()
	}
}

// back has a beat sent: when it is acknowledged the cluster is reachable.
func (l *Lab) back() { wake(l.wakeBeat) }

// again has everything looked at again.
func (l *Lab) again() {
	for _, c := range []chan struct{}{l.wakeWatch, l.wakeAbout, l.wakeMirror, l.wakeClaim, l.wakeShip, l.wakeFetch} {
		wake(c)
	}
}

// open finds or makes what the lab keeps in the cluster.
func (l *Lab) open(ctx context.Context) error {
	lab := l.options.Lab
	replicas := l.options.Replicas
	if replicas == 0 {
		replicas = 3
	}
	make := func(do func(replicas int) error) error {
		err := do(replicas)
		var refused *jetstream.APIError
		if l.options.Replicas == 0 && errors.As(err, &refused) && refused.ErrorCode == notClustered {
			err = do(1)
		}
		if errors.As(err, &refused) && refused.ErrorCode == noPeers {
			err = fmt.Errorf("the cluster has too few servers up to keep %d copies: start them all, or say how many copies are wanted: %w", replicas, err)
		}
		return err
	}
	bucket := func(name string, most int32) (kv jetstream.KeyValue, err error) {
		if kv, err = l.js.KeyValue(ctx, name); !errors.Is(err, jetstream.ErrBucketNotFound) {
			return kv, err
		}
		err = make(func(n int) error {
			kv, err = l.js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: name, History: 1, Storage: jetstream.FileStorage, Replicas: n, MaxValueSize: most})
			return err
		})
		return kv, err
	}
	state, err := bucket(lab+"-state", 512<<10)
	if err != nil {
		return fmt.Errorf("the lab's jobs: %w", err)
	}
	inputs, err := bucket(lab+"-inputs", inputPart+1024)
	if err != nil {
		return fmt.Errorf("the lab's inputs: %w", err)
	}
	records, err := l.js.ObjectStore(ctx, lab+"-records")
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		err = make(func(n int) (err error) {
			records, err = l.js.CreateOrUpdateObjectStore(ctx, jetstream.ObjectStoreConfig{Bucket: lab + "-records", Storage: jetstream.FileStorage, Replicas: n, TTL: recordsTTL})
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("the lab's records: %w", err)
	}
	if _, err = l.js.Stream(ctx, l.eventStream()); errors.Is(err, jetstream.ErrStreamNotFound) {
		err = make(func(n int) error {
			_, err := l.js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{Name: l.eventStream(), Subjects: []string{lab + ".events.*"}, Storage: jetstream.MemoryStorage, Replicas: n,
				MaxAge: eventsTTL, MaxBytes: eventsBytes, Discard: jetstream.DiscardOld})
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("the lab's events: %w", err)
	}
	l.mu.Lock()
	l.state, l.inputs, l.records = state, inputs, records
	l.mu.Unlock()
	return nil
}

func (l *Lab) eventStream() string { return l.options.Lab + "-events" }

// The error codes of the server that say that it stands alone, and that servers are missing.
const (
	notClustered jetstream.ErrorCode = 10074
	noPeers      jetstream.ErrorCode = 10005
)

// conflict tells whether a change was refused because the entry is not as it was when it was read.
func conflict(err error) bool {
	var refused *jetstream.APIError
	return errors.Is(err, jetstream.ErrKeyExists) || errors.As(err, &refused) &&
		(refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant)
}
