//go:build race

package e2e

// stride is from one broken message to the next. A run in process is one goroutine, in which the race detector has little to
// find and which it slows down by ten: a sample is enough here, every message is broken without it.
const stride = 13

// raceDetector tells tests of speed that they have nothing to say.
const raceDetector = true
