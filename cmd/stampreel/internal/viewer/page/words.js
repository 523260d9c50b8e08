// Figures as people read them.

export function time(seconds) {
	const milli = Math.max(0, Math.floor(seconds * 1000 + 1e-6)), minutes = Math.floor(milli / 60000)
	return `${minutes}:${String(Math.floor(milli / 1000) % 60).padStart(2, "0")}.${String(milli % 1000).padStart(3, "0")}`
}

export function size(bytes) {
	if (bytes < 1000) return `${bytes} bytes`
	if (bytes < 1e6) return `${(bytes / 1e3).toFixed(bytes < 1e5 ? 1 : 0)} kB`
	return `${(bytes / 1e6).toFixed(bytes < 1e8 ? 1 : 0)} MB`
}

export const count = (n, one, many) => `${n.toLocaleString("en-GB")} ${n === 1 ? one : many}`

export const percent = margin => margin === null ? "none" : `${Math.floor(100 * margin + 1e-9)} %`

export function trimmed(x, digits) {
	return String(Number(x.toFixed(digits)))
}
