package system

// testMode is handed to workers, which tell misbehave what they are at; tests
// set both to see a worker fail.
var (
	testMode  string
	misbehave = func(mode, at string) {}
)
