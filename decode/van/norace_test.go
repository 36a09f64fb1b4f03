//go:build !race

package van

// raceDetector tells that the race detector is in, which makes the van's drives
// ten times as long.
const raceDetector = false
