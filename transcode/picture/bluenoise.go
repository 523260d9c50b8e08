package picture

//go:generate go test -run TestBlueNoiseTableIsWhatItsGeneratorMakes -update

// The blue-noise pattern, in bluenoise_table.go: voidcluster.Ranks(64, 1). At
// 64x64 its repeats are too far apart to be seen as a texture.
const (
	blueNoiseSide = 64
	blueNoiseSeed = 1
)
