// Package guardian keeps power from being on with nobody at the wheel: a second process holds its own way to the instruments and switches them
// off when the heartbeat of the first stops.
//
// The process that runs a sequence has a [Heart]. It beats only while the run makes progress: every message to an instrument is one, and a
// long answer or pause is announced ahead. The second process runs [Serve]: it reads its [Orders], opens its connections, and waits. When the
// beat stays out, or the pipe ends without the word of an orderly end, it stops readings, switches loads off, then sources, verifies that, looks
// at the nodes until they are discharged, and stays until the first process is gone. That one, should it wake up, finds itself relieved: its
// links send nothing more.
//
// The two talk in lines over a pipe each way: orders (JSON), arm, beat, relieve, end; and back ready (JSON), armed or refused, pulse, relieved, safe
// (JSON), bye.
package guardian
