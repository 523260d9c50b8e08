package system

import "context"

// Report says what this computer decodes.
type Report struct {
	Version string // of the libraries, such as "1.22.0"
	Videos  []Ability
	Sounds  []Ability
}

// Ability is one coding and whether there is a decoder for it.
type Ability struct {
	Codec  string
	Opened bool
}

// ReportAll asks the libraries what they decode.
func ReportAll(ctx context.Context) (*Report, error) {
	var r Report
	if err := ask(ctx, "", request{Do: doReport}, &r); err != nil {
		return nil, err
	}
	return &r, nil
}
