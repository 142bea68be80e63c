package queue_test

import (
	"context"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"fourwire/daemon/queue"
	"fourwire/internal/clock"
)

// A store whose disk was full takes jobs again once there is room, and has lost none that it had taken.
func TestRoomAgain(t *testing.T) {
	disk := t.TempDir()
	if err := syscall.Mount("none", disk, "tmpfs", 0, "size=2m"); err != nil {
		t.Skipf("a disk of its own needs rights that this process has not: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(disk, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	store, end := embedded(t, filepath.Join(disk, "queue"))
	save := func(id string) error {
		ctx, cancel := clock.Real().WithTimeout(t.Context(), 500*time.Millisecond)
		defer cancel()
		j := queue.Job{ID: id, State: queue.Queued, Order: []byte(`{}`)}
		return store.Save(ctx, &j)
	}
	if err := save("before"); err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(disk, "filler")
	f, err := os.Create(filler)
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 4096); err == nil; {
		_, err = f.Write(block)
	}
	f.Close()
	taken := []string{"before"}
	for n := range 100 {
		id := "full-" + string(rune('a'+n%26)) + string(rune('a'+n/26))
		if save(id) != nil {
			break
		}
		taken = append(taken, id)
	}
	if len(taken) > 100 {
		t.Fatal("the disk is not full")
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	for n := 0; save("after") != nil; n++ {
		if n > 40 {
			t.Fatal("there is room, and it takes nothing")
		}
		if err := clock.Real().Sleep(t.Context(), 100*time.Millisecond); err != nil {
			t.Fatal(err)
		}
	}
	taken = append(taken, "after")
	end()
	again, _ := embedded(t, filepath.Join(disk, "queue"))
	for _, id := range taken {
		if _, err := again.Get(context.Background(), id); err != nil {
			t.Errorf("job %s: %v", id, err)
		}
	}
	t.Logf("%d jobs taken", len(taken))
}
