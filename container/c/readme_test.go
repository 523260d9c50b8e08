package c_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// TestTheCodeOfTheREADMECompiles puts the blocks of README.md into one file,
// with what a firmware has around them.
func TestTheCodeOfTheREADMECompiles(t *testing.T) {
	around := `
#define SOUND_RING 4096
int card_read(void *user, uint32_t sector, uint32_t count, uint8_t *buffer);
void dac_setup(const stampreel_clip *c);
void dac_start(void);
void wait_until_due(uint32_t beat);
void ring_put(const uint8_t *bytes, uint32_t count);
void panel_write(int first, const uint8_t *bytes, uint32_t count);
void panel_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height);
void panel_send(const uint8_t *bytes, uint32_t count);
void tiles_write(const stampreel_piece *p);
void play(void *file, uint32_t fileBytes);
void card_start(uint32_t sector, uint32_t count);
void use(const stampreel_piece *p, int32_t sectors);
void card_is_idle(void);
void sectors_are_here(void);
static uint32_t waiting, first, room = 8;
static const uint8_t buffer[4096];
`
	blocks := regexp.MustCompile("(?s)```c\n(.*?)```").FindAllStringSubmatch(readText(t, "README.md"), -1)
	if len(blocks) != 4 {
		t.Fatalf("README.md has %d blocks of C, want 4", len(blocks))
	}
	dir := t.TempDir()
	source := filepath.Join(dir, "blocks.c")
	text := blocks[0][1] + around + blocks[1][1] + blocks[2][1] + blocks[3][1]
	if err := os.WriteFile(source, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	args := append([]string{}, strict...)
	run(t, "gcc", append(args, "-I.", "-c", "-o", filepath.Join(dir, "blocks.o"), source)...)
}
