package console

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// Sizes of files and rates are decimal (1 MB = 1,000,000 bytes), as cards and
// links are sold; memory is binary (1 KiB = 1,024 bytes), as chips are made.

// Size writes a number of bytes of a file with its unit: "512 B", "41.5 kB",
// "1.26 MB", "3.90 GB".
func Size(n int64) string { return decimal(float64(n), "B", true) }

// Rate writes bytes per second with its unit: "850 kB/s", "1.26 MB/s".
func Rate(bytesPerSecond float64) string { return decimal(bytesPerSecond, "B/s", false) }

func decimal(v float64, unit string, whole bool) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	prefixes := []string{"", "k", "M", "G", "T", "P", "E"}
	i := 0
	for math.Abs(v) >= 999.5 && i+1 < len(prefixes) {
		v /= 1000
		i++
	}
	if i == 0 && whole {
		return strconv.FormatFloat(v, 'f', 0, 64) + " " + unit
	}
	return three(v) + " " + prefixes[i] + unit
}

// three writes v, below 1000, with three digits.
func three(v float64) string {
	switch a := math.Abs(v); {
	case a < 9.995:
		return strconv.FormatFloat(v, 'f', 2, 64)
	case a < 99.95:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 0, 64)
}

// MB writes bytes, or bytes per second, in MB with two decimals and no unit,
// for a column headed "MB" or "MB/s".
func MB(bytes float64) string { return strconv.FormatFloat(bytes/1e6, 'f', 2, 64) }

// Memory writes a number of bytes of RAM with its unit: "64 KiB", "1.5 KiB",
// "512 B", "8 MiB".
func Memory(n int64) string {
	switch {
	case n > -1024 && n < 1024:
		return strconv.FormatInt(n, 10) + " B"
	case n > -1<<20 && n < 1<<20:
		return KiB(n) + " KiB"
	}
	return oneDecimal(float64(n)/(1<<20)) + " MiB"
}

// KiB writes bytes of RAM in KiB without a unit, for a column headed "KiB":
// "64", "1.5".
func KiB(n int64) string { return oneDecimal(float64(n) / 1024) }

func oneDecimal(v float64) string {
	v = math.Round(v*10) / 10
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Percent writes a share (1 is all) as a whole percentage, rounded down, so
// that a margin of 19.6 % is not shown as the 20 % it fails to reach. A share that is no
// number, or −∞, is "-".
func Percent[F ~float64](share F) string {
	text := PercentNumber(share)
	if text == "-" {
		return text
	}
	return text + " %"
}

// PercentNumber is Percent without its unit, for a column headed "%".
func PercentNumber[F ~float64](share F) string {
	if f := float64(share); math.IsNaN(f) || math.IsInf(f, 0) {
		return "-"
	}
	// 0.29 is stored as slightly less than 29 hundredths.
	return strconv.FormatFloat(math.Floor(float64(share)*100+1e-9)+0, 'f', 0, 64)
}

// Duration writes a length or a place in time: "0:04.0", "1:23.4",
// "1:02:03.4", to the nearest tenth.
func Duration(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -max(d, -math.MaxInt64)
	}
	tenths := int64(d / (100 * time.Millisecond))
	if d%(100*time.Millisecond) >= 50*time.Millisecond {
		tenths++
	}
	return fmt.Sprintf("%s%s.%d", sign, clock(tenths/10), tenths%10)
}

// TimeLeft writes an estimate in whole seconds, rounded up: "1:20", "0:01".
func TimeLeft(d time.Duration) string {
	if d <= 0 {
		return "0:00"
	}
	return clock(int64((d-1)/time.Second) + 1)
}

func clock(seconds int64) string {
	m := seconds / 60
	if m < 60 {
		return fmt.Sprintf("%d:%02d", m, seconds%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", m/60, m%60, seconds%60)
}

// Count writes a number with its noun: "1 clip", "12 clips".
func Count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.FormatInt(n, 10) + " " + many
}
