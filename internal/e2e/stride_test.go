//go:build !race

package e2e

// stride is from one broken message to the next.
const stride = 1

// raceDetector tells tests of speed that they have nothing to say.
const raceDetector = false
