/* Changes the sample rate of the floats on standard input with another library,
 * for the tests and benchmarks of package sound to compare with.
 *
 *   peer LIBRARY IN-HZ OUT-HZ CHANNELS ROUNDS <input >output
 *
 * LIBRARY is samplerate-best, soxr-hq or soxr-vhq; the last without its roll-off
 * of 0.01 dB inside the pass band. Input and output are interleaved floats of
 * this machine. The conversion is run once for the output
 * and then ROUNDS times, single-threaded, in blocks of 4096 frames, as the
 * benchmark does its own; the CPU time of a round in nanoseconds, without the
 * making of tables, goes to standard error. */
#include <samplerate.h>
#include <soxr.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { BLOCK = 4096 };

static void fail(const char *what)
{
	fprintf(stderr, "peer: %s\n", what);
	exit(1);
}

static double seconds(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return t.tv_sec + 1e-9 * t.tv_nsec;
}

/* Both return the frames written. */

static size_t with_samplerate(SRC_STATE *s, double ratio, int channels,
	const float *in, size_t frames, float *out, size_t room)
{
	size_t done = 0, made = 0;
	for (;;) {
		SRC_DATA d;
		memset(&d, 0, sizeof d);
		d.data_in = in + done * channels;
		d.input_frames = frames - done < BLOCK ? frames - done : BLOCK;
		d.data_out = out + made * channels;
		d.output_frames = room - made;
		d.src_ratio = ratio;
		d.end_of_input = frames - done <= BLOCK;
		if (src_process(s, &d))
			fail("src_process");
		done += d.input_frames_used;
		made += d.output_frames_gen;
		if (d.end_of_input && done == frames && d.output_frames_gen == 0)
			return made;
	}
}

static size_t with_soxr(soxr_t s, int channels,
	const float *in, size_t frames, float *out, size_t room)
{
	size_t done = 0, made = 0;
	for (;;) {
		size_t n = frames - done < BLOCK ? frames - done : BLOCK, used = 0, got = 0;
		if (soxr_process(s, n ? in + done * channels : NULL, n, &used,
				out + made * channels, room - made, &got))
			fail("soxr_process");
		done += used;
		made += got;
		if (n == 0 && got == 0)
			return made;
	}
}

int main(int argc, char **argv)
{
	if (argc != 6)
		fail("want LIBRARY IN-HZ OUT-HZ CHANNELS ROUNDS");
	double in_hz = atof(argv[2]), out_hz = atof(argv[3]);
	int channels = atoi(argv[4]), rounds = atoi(argv[5]);
	if (in_hz <= 0 || out_hz <= 0 || channels < 1)
		fail("rates and channels must be above 0");

	size_t size = 0, have = 0;
	char *bytes = NULL;
	do {
		size = size ? 2 * size : 1 << 20;
		if (!(bytes = realloc(bytes, size)))
			fail("no memory");
		have += fread(bytes + have, 1, size - have, stdin);
	} while (have == size);
	const float *in = (const float *)bytes;
	size_t frames = have / (channels * sizeof *in);
	size_t room = frames * out_hz / in_hz + 2 * BLOCK, made = 0;
	float *out = malloc(room * channels * sizeof *out);
	if (!out)
		fail("no memory");

	SRC_STATE *src = NULL;
	soxr_t soxr = NULL;
	int error = 0;
	if (!strcmp(argv[1], "samplerate-best")) {
		if (!(src = src_new(SRC_SINC_BEST_QUALITY, channels, &error)))
			fail("src_new");
	} else if (!strcmp(argv[1], "soxr-hq") || !strcmp(argv[1], "soxr-vhq")) {
		soxr_error_t e;
		soxr_io_spec_t io = soxr_io_spec(SOXR_FLOAT32_I, SOXR_FLOAT32_I);
		soxr_quality_spec_t q = argv[1][5] == 'h' ? soxr_quality_spec(SOXR_HQ, 0) : soxr_quality_spec(SOXR_VHQ, SOXR_ROLLOFF_NONE);
		soxr_runtime_spec_t one = soxr_runtime_spec(1);
		soxr = soxr_create(in_hz, out_hz, channels, &e, &io, &q, &one);
		if (e)
			fail("soxr_create");
	} else {
		fail("unknown library");
	}

	double spent = 0;
	for (int i = 0; i <= rounds; i++) {
		double begin = seconds();
		if (src)
			made = with_samplerate(src, out_hz / in_hz, channels, in, frames, out, room);
		else
			made = with_soxr(soxr, channels, in, frames, out, room);
		if (i > 0)
			spent += seconds() - begin;
		if (src)
			src_reset(src);
		else if (soxr_clear(soxr))
			fail("soxr_clear");
	}
	if (fwrite(out, channels * sizeof *out, made, stdout) != made || fflush(stdout))
		fail("cannot write");
	fprintf(stderr, "%.0f\n", rounds > 0 ? 1e9 * spent / rounds : 0);
	return 0;
}
