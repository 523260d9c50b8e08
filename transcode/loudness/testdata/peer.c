/* Reads native floats from stdin and prints loudness, range and true peak by
   libebur128: peer RATE CHANNELS */
#include <ebur128.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv) {
	if (argc != 3)
		return 2;
	unsigned rate = atoi(argv[1]), channels = atoi(argv[2]);
	ebur128_state *s = ebur128_init(channels, rate, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
	if (!s)
		return 3;
	static float buf[64 * 1024];
	size_t n;
	while ((n = fread(buf, sizeof(float) * channels, 1024, stdin)) > 0)
		if (ebur128_add_frames_float(s, buf, n))
			return 4;
	double loudness, range, peak, most = 0;
	if (ebur128_loudness_global(s, &loudness) || ebur128_loudness_range(s, &range))
		return 5;
	for (unsigned c = 0; c < channels; c++) {
		ebur128_true_peak(s, c, &peak);
		if (peak > most)
			most = peak;
	}
	printf("%.6f %.6f %.6f\n", loudness, range, 20 * log10(most));
	ebur128_destroy(&s);
	return 0;
}
