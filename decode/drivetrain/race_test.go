//go:build race

package drivetrain_test

// raceDetector tells that the race detector is in, which makes the van's drives
// ten times as long.
const raceDetector = true
