package daemon

import "os"

// sweep removes the folders of jobs that neither run nor may go on: of jobs that have been forgotten, and of those that were over when the power failed.
func (d *Daemon) sweep() {
	entries, err := os.ReadDir(d.jobs)
	if err != nil {
		d.log.Error().Err(err).Msg("the folders of jobs")
		return
	}
	for _, e := range entries {
		j, err := d.queue.Job(e.Name())
		if err == nil && (!j.State.Ended() || j.Resumable) || stillAlive(d.jobFolder(e.Name())) {
			continue
		}
		if err := os.RemoveAll(d.jobFolder(e.Name())); err != nil {
			d.log.Error().Err(err).Str("job", e.Name()).Msg("its folder cannot be removed")
		}
	}
}
