package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/viewer"
	"example.org/stampreel/container"
)

// shownPage is what preview says of its page.
type shownPage struct {
	Address string   `json:"address"`
	Clips   []string `json:"clips"`
}

// sourceOf is what the page is to hold a clip against; nil without --source.
func (c *call) sourceOf(clip string, folder bool) (*viewer.Source, error) {
	path := c.String("source")
	switch {
	case path == "":
		for _, f := range qualityFlags() {
			if name := f.Names()[0]; c.IsSet(name) {
				return nil, usagef("--%s is about the source", name).try("%s", c.again("stampreel preview "+console.Name(clip)+" --source FILE"))
			}
		}
		return nil, nil
	case folder:
		return nil, usagef("--source is that of one clip, %s is a folder", console.Name(clip)).try("one of its clips")
	case c.Bool("terminal") || c.String("sheet") != "" || c.String("export") != "":
		return nil, usagef("--source is for the page").try("without --terminal, --sheet and --export")
	}
	settings, err := pictureSettings(c)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	return &viewer.Source{Name: console.Name(filepath.Base(path)), Path: path, Settings: settings}, nil
}

// showPage serves the page of a clip, or of those of a folder, until it is closed.
// A source is what one clip is held against.
func (c *call) showPage(ctx context.Context, operand string, folder bool, source *viewer.Source) error {
	paths := []string{operand}
	if folder {
		var err error
		if paths, err = clipsIn(ctx, paths); err != nil {
			return err
		}
	} else { // of a folder the page tells which clips cannot be read
		_, f, err := openClip(operand)
		if err != nil {
			return err
		}
		f.Close()
	}
	player, err := c.player(folderOf(operand))
	if err != nil {
		return err
	}
	shelved := []fill.Shelved{{Path: operand}}
	if folder {
		shelved = fill.Shelve(operand, paths)
	}
	var clips []viewer.Clip
	for i, s := range shelved {
		name := s.Title
		if name == "" {
			name = filepath.Base(s.Path)
		}
		paths[i] = s.Path
		clips = append(clips, viewer.Clip{Name: console.Name(name), Path: s.Path, Shelf: console.Name(s.Shelf)})
	}
	server, err := viewer.New(clips, player, flashing)
	if err != nil {
		return err
	}
	if source != nil {
		if err := server.Compare(*source); err != nil {
			return err
		}
	}
	c.console.Result("%s", server.Address())
	if err := c.console.JSON(shownPage{server.Address(), paths}); err != nil {
		return err
	}
	if c.Bool("keep") {
		c.console.Note("Ctrl-C ends it")
	} else {
		c.console.Note("it ends when the page is closed, or with Ctrl-C")
	}
	if c.Bool("open") {
		if err := openBrowser(server.Address()); err != nil {
			c.console.Warn("the browser could not be started (%v); the address can be opened by hand", err)
		}
	}
	return server.Serve(ctx, c.Bool("keep"))
}

// flashing says what flashes in a clip, and from where on.
func flashing(h *container.Header) (text string, at []time.Duration) {
	_, flashes, _, _ := fill.HowMade(h)
	for _, k := range []fill.Flashing{flashes.General, flashes.Red} {
		if k.TooMany() {
			at = append(at, k.First)
		}
	}
	if flashes.Length > 0 {
		at = append(at, flashes.LongAt)
	}
	return flashText(&flashes), at
}

// openBrowser has the system open an address.
func openBrowser(address string) error {
	program := []string{"xdg-open"}
	switch runtime.GOOS {
	case "darwin":
		program = []string{"open"}
	case "windows":
		program = []string{"rundll32", "url.dll,FileProtocolHandler"}
	}
	path, err := exec.LookPath(program[0])
	if err != nil {
		return fmt.Errorf("%s is not installed", program[0])
	}
	cmd := exec.Command(path, append(program[1:], address)...)
	if err := cmd.Start(); err != nil {
		return err
	}
	go cmd.Wait() // nobody waits for a browser
	return nil
}
