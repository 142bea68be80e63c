package daemon_test

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"

	"fourwire/daemon/queue"
)

// shelf is a store of jobs that outlives the daemons of a test.
type shelf struct {
	mu     sync.Mutex // guards what follows
	jobs   map[string][]byte
	inputs map[string][]byte
	last   map[string]uint64
}

func newShelf() *shelf {
	return &shelf{jobs: map[string][]byte{}, inputs: map[string][]byte{}, last: map[string]uint64{}}
}

func (s *shelf) read(id string) (j queue.Job) {
	if err := json.Unmarshal(s.jobs[id], &j); err != nil {
		panic(err)
	}
	j.Revision = s.last[id]
	return j
}

func (s *shelf) Load(context.Context) (list []queue.Job, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(s.jobs)) {
		list = append(list, s.read(id))
	}
	return list, nil
}

func (s *shelf) Save(_ context.Context, j *queue.Job) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if j.Revision != s.last[j.ID] {
		return queue.ErrConflict
	}
	data, err := json.Marshal(j)
	if err != nil {
		return err
	}
	j.Revision++
	s.jobs[j.ID], s.last[j.ID] = data, j.Revision
	return nil
}

func (s *shelf) Get(_ context.Context, id string) (queue.Job, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.jobs[id] == nil {
		return queue.Job{}, queue.ErrNotFound
	}
	return s.read(id), nil
}

func (s *shelf) Delete(_ context.Context, id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.jobs, id)
	delete(s.inputs, id)
	return nil
}

func (s *shelf) SaveInput(_ context.Context, id string, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.inputs[id] = data
	return nil
}

func (s *shelf) Input(_ context.Context, id string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.inputs[id] == nil {
		return nil, queue.ErrNotFound
	}
	return s.inputs[id], nil
}
