package queue

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"fourwire/internal/clock"
)

const (
	lookForRoom = time.Second
	enoughRoom  = 256 << 10 // bytes that can be written again
)

// Doubt says that a write has failed. A message server whose disk was full writes nothing more to a store until it is opened anew, even when there is
// room again: that is done then.
func (s *Server) Doubt() {
	select {
	case s.doubt <- struct{}{}:
	default: // it is known
	}
}

// reopen opens the store anew after a doubt, once there is room, until ctx ends.
func (s *Server) reopen(ctx context.Context, dir string, as server.JetStreamConfig) {
	as.StoreDir = dir
	for {
		select {
		case <-s.doubt:
		case <-ctx.Done():
			return
		}
		for done := false; !done; {
			if clock.Real().Sleep(ctx, lookForRoom) != nil {
				return
			}
			if !roomIn(dir) {
				continue
			}
			again := as // it is changed
			done = s.server.ShutdownJetStream() == nil && s.server.EnableJetStream(&again) == nil
		}
	}
}

// roomIn tells whether something can be written to the disk of a folder.
func roomIn(dir string) bool {
	file := filepath.Join(dir, "room")
	defer func() { _ = os.Remove(file) }() // it was a trial
	f, err := os.OpenFile(file, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return false
	}
	_, err = f.Write(make([]byte, enoughRoom))
	if err == nil {
		err = f.Sync()
	}
	return f.Close() == nil && err == nil
}
