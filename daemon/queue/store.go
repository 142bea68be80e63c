package queue

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// ErrNotFound says that there is no such job, or no such input.
var ErrNotFound = errors.New("no such job")

// ErrConflict says that somebody else has changed a job since it was read.
var ErrConflict = errors.New("the job was changed by somebody else in the meantime")

// Store keeps jobs. What Save and SaveInput have returned from without an error survives a cut in power.
type Store interface {
	Load(ctx context.Context) ([]Job, error)
	Save(ctx context.Context, j *Job) error // sets Revision; ErrConflict where it is not the last one
	Get(ctx context.Context, id string) (Job, error)
	Delete(ctx context.Context, id string) error
	SaveInput(ctx context.Context, id string, data []byte) error // what the job is run from
	Input(ctx context.Context, id string) ([]byte, error)
}

// MaxInput is how much the input of a job may take.
const MaxInput = 4 << 20

// Server is an embedded message server with a store below one folder, reached in process.
type Server struct {
	server  *server.Server
	conn    *nats.Conn
	doubt   chan struct{}
	stop    context.CancelFunc // of what looks after its disk
	looking sync.WaitGroup
}

// ServerOptions say more about an embedded server. The zero value listens nowhere.
type ServerOptions struct {
	Dir  string // of its store
	Name string
	// Configure changes the options of the server before it starts, as for one that joins others; nil: nobody.
	Configure func(*server.Options)
}

// Embed starts a server in this process.
func Embed(o ServerOptions) (*Server, error) {
	options := &server.Options{
		ServerName: o.Name, DontListen: true, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: o.Dir, SyncAlways: true, // an answer means: on the disk
		MaxPayload: MaxInput + 64<<10, JetStreamMaxMemory: 16 << 20, JetStreamMaxStore: 8 << 30,
	}
	if o.Configure != nil {
		o.Configure(options)
	}
	s, err := server.NewServer(options)
	if err != nil {
		return nil, fmt.Errorf("the store of jobs in %s: %w", o.Dir, err)
	}
	s.Start()
	if !s.ReadyForConnections(20 * time.Second) {
		s.Shutdown()
		return nil, fmt.Errorf("the store of jobs in %s does not get ready", o.Dir)
	}
	if options.JetStream && !s.JetStreamEnabled() {
		s.Shutdown()
		return nil, fmt.Errorf("the store of jobs in %s cannot be opened: is its disk full, or can it not be written?", o.Dir)
	}
	conn, err := nats.Connect("", nats.InProcessServer(s), nats.MaxReconnects(-1))
	if err != nil {
		s.Shutdown()
		return nil, fmt.Errorf("the store of jobs in %s: %w", o.Dir, err)
	}
	out := &Server{server: s, conn: conn, doubt: make(chan struct{}, 1), stop: func() {}}
	if as := s.JetStreamConfig(); as != nil {
		var ctx context.Context
		ctx, out.stop = context.WithCancel(context.Background())
		out.looking.Go(func() { out.reopen(ctx, options.StoreDir, *as) })
	}
	return out, nil
}

// Conn is a connection to the server.
func (s *Server) Conn() *nats.Conn { return s.conn }

// Close ends it.
func (s *Server) Close() {
	s.stop()
	s.looking.Wait()
	s.conn.Close()
	s.server.Shutdown()
	s.server.WaitForShutdown()
}

// StoreFolder is where a store of jobs is below the state folder of a daemon.
func StoreFolder(state string) string { return filepath.Join(state, "queue") }

// JetStream is a store in two buckets of a message server: jobs, and their inputs.
type JetStream struct {
	jobs, inputs jetstream.KeyValue
	failed       func()
}

// OnFailure has somebody told when a write failed, such as [Server.Doubt] of the server that keeps it. It is called before the store is used.
func (s *JetStream) OnFailure(tell func()) { s.failed = tell }

// told passes the error of a write on.
func (s *JetStream) told(err error) error {
	if err != nil && s.failed != nil && !errors.Is(err, context.Canceled) {
		s.failed()
	}
	return err
}

// NewJetStream makes the buckets where they are missing. prefix keeps several queues on one server apart: letters, digits, - and _.
func NewJetStream(ctx context.Context, conn *nats.Conn, prefix string, replicas int) (*JetStream, error) {
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, err
	}
	s := &JetStream{}
	for _, b := range []struct {
		name string
		into *jetstream.KeyValue
		most int32
	}{{prefix + "-jobs", &s.jobs, 256 << 10}, {prefix + "-inputs", &s.inputs, MaxInput}} {
		*b.into, err = js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: b.name, History: 1, Storage: jetstream.FileStorage, Replicas: replicas, MaxValueSize: b.most})
		if err != nil {
			return nil, fmt.Errorf("the bucket %s: %w", b.name, err)
		}
	}
	return s, nil
}

// Load reads all jobs.
func (s *JetStream) Load(ctx context.Context) ([]Job, error) {
	watch, err := s.jobs.WatchAll(ctx, jetstream.IgnoreDeletes())
	if err != nil {
		return nil, err
	}
	defer func() { _ = watch.Stop() }()
	var out []Job
	for {
		select {
		case entry, open := <-watch.Updates():
			if !open {
				return nil, errors.New("the store of jobs was closed while it was read")
			}
			if entry == nil {
				return out, nil // that is all there is
			}
			var j Job
			if err := json.Unmarshal(entry.Value(), &j); err != nil {
				return nil, fmt.Errorf("job %s cannot be read: %w", entry.Key(), err)
			}
			j.Revision = entry.Revision()
			out = append(out, j)
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

// Save writes a job.
func (s *JetStream) Save(ctx context.Context, j *Job) error {
	data, err := json.Marshal(j)
	if err != nil {
		return err
	}
	var revision uint64
	if j.Revision == 0 {
		revision, err = s.jobs.Create(ctx, j.ID, data)
	} else {
		revision, err = s.jobs.Update(ctx, j.ID, data, j.Revision)
	}
	var refused *jetstream.APIError
	if errors.Is(err, jetstream.ErrKeyExists) || errors.As(err, &refused) && refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		return fmt.Errorf("job %s: %w", j.ID, ErrConflict)
	}
	if s.told(err) != nil {
		return fmt.Errorf("job %s cannot be kept: %w", j.ID, err)
	}
	j.Revision = revision
	return nil
}

// Get reads one job.
func (s *JetStream) Get(ctx context.Context, id string) (Job, error) {
	entry, err := s.jobs.Get(ctx, id)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return Job{}, ErrNotFound
	}
	if err != nil {
		return Job{}, err
	}
	var j Job
	if err := json.Unmarshal(entry.Value(), &j); err != nil {
		return Job{}, fmt.Errorf("job %s cannot be read: %w", id, err)
	}
	j.Revision = entry.Revision()
	return j, nil
}

// Delete forgets a job and its input.
func (s *JetStream) Delete(ctx context.Context, id string) error {
	return s.told(errors.Join(s.inputs.Purge(ctx, id), s.jobs.Purge(ctx, id)))
}

// SaveInput writes the input of a job.
func (s *JetStream) SaveInput(ctx context.Context, id string, data []byte) error {
	if len(data) > MaxInput {
		return fmt.Errorf("the input of a job may take %d bytes, this one takes %d", MaxInput, len(data))
	}
	if _, err := s.inputs.Put(ctx, id, data); s.told(err) != nil {
		return fmt.Errorf("the input of job %s cannot be kept: %w", id, err)
	}
	return nil
}

// Input reads the input of a job.
func (s *JetStream) Input(ctx context.Context, id string) ([]byte, error) {
	if strings.ContainsAny(id, " .*>") || id == "" {
		return nil, ErrNotFound
	}
	entry, err := s.inputs.Get(ctx, id)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil, ErrNotFound
	}
	if err != nil {
		return nil, err
	}
	return entry.Value(), nil
}
