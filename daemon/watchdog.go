package daemon

import (
	"context"
	"os"
	"strconv"
	"time"
)

// watchdog tells the service manager that the daemon works, twice as often as it asks for, while the queue can be asked for its jobs.
func (d *Daemon) watchdog(ctx context.Context) {
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || us <= 0 {
		return
	}
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return
	}
	for d.clock.Sleep(ctx, time.Duration(us)*time.Microsecond/2) == nil {
		d.queue.Counts() // a queue that stands still keeps this waiting, and the manager acts
		notify("WATCHDOG=1")
	}
}
