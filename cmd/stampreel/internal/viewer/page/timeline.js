// The bytes of each beat over time: a bar for each beat, or for the largest of
// those that share a column. Late pictures stand above, gaps in the sound below,
// damaged beats across: by place and shape, not by colour alone.

const codings = ["", "--raw", "--tiles", "--jpeg", "--keytiles"]

export class Timeline {
	constructor(canvas, here) {
		this.canvas = canvas
		this.here = here
		this.beats = null
		this.late = this.gaps = new Map()
		this.damaged = new Map()
		this.flashes = new Map()
		this.ahead = null
		new ResizeObserver(() => this.draw()).observe(canvas)
		matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw())
	}

	// at is the beat under a place of the page.
	at(clientX) {
		const {left, width} = this.canvas.getBoundingClientRect()
		const n = this.beats?.bytes.length ?? 1
		return Math.max(0, Math.min(n - 1, Math.floor((clientX - left) / width * n)))
	}

	point(beat) {
		this.here.style.left = `${100 * (beat + 0.5) / (this.beats?.bytes.length ?? 1)}%`
	}

	draw() {
		const {canvas, beats} = this
		if (!beats) return
		const scale = devicePixelRatio, width = Math.max(1, Math.round(canvas.clientWidth * scale)), height = Math.max(1, Math.round(canvas.clientHeight * scale))
		canvas.width = width
		canvas.height = height
		const pen = canvas.getContext("2d"), style = getComputedStyle(canvas)
		const colour = name => style.getPropertyValue(name).trim()
		const n = beats.bytes.length, mark = Math.round(10 * scale), top = mark + 2, floor = height - mark - 2
		const largest = beats.bytes.reduce((a, b) => Math.max(a, b), 1)
		const columns = Math.min(n, width)
		const share = map => { // of beats of a map, the columns they lie in
			const set = new Set()
			for (const beat of map.keys()) set.add(Math.floor(beat * columns / n))
			return set
		}
		const left = c => Math.round(c * width / columns)
		for (let c = 0; c < columns; c++) {
			let big = -1
			for (let b = Math.ceil(c * n / columns); b < (c + 1) * n / columns; b++) if (big < 0 || beats.bytes[b] > beats.bytes[big]) big = b
			if (big < 0) continue
			const tall = Math.max(1, Math.round((floor - top) * beats.bytes[big] / largest))
			pen.fillStyle = colour(codings[beats.coding[big]] || "--quiet")
			const room = left(c + 1) - left(c)
			pen.fillRect(left(c), floor - tall, Math.max(1, room > 3 * scale ? room - 1 : room), tall)
		}
		if (this.ahead) this.level(pen, columns, left, n, top, floor, colour, scale)
		pen.fillStyle = colour("--late")
		for (const c of share(this.late)) {
			const x = (left(c) + left(c + 1)) / 2, half = Math.max(2 * scale, Math.min(mark / 2, (left(c + 1) - left(c)) / 2))
			pen.beginPath()
			pen.moveTo(x - half, 0)
			pen.lineTo(x + half, 0)
			pen.lineTo(x, mark)
			pen.fill()
		}
		pen.fillStyle = colour("--gap")
		for (const c of share(this.gaps)) pen.fillRect(left(c), height - mark / 2, Math.max(2 * scale, left(c + 1) - left(c)), mark / 2)
		pen.fillStyle = colour("--careful")
		for (const c of share(this.flashes)) { // a diamond on a stem
			const x = (left(c) + left(c + 1)) / 2, r = 5 * scale
			pen.fillRect(x - scale, top, 2 * scale, floor - top)
			pen.beginPath()
			for (const [dx, dy] of [[0, -r], [r, 0], [0, r], [-r, 0]]) pen.lineTo(x + dx, top + r + dy)
			pen.fill()
		}
		pen.strokeStyle = colour("--bad")
		pen.lineWidth = 2 * scale
		for (const c of share(this.damaged)) {
			const x = (left(c) + left(c + 1)) / 2, r = 4 * scale, y = (top + floor) / 2
			pen.beginPath()
			pen.moveTo(x - r, y - r)
			pen.lineTo(x + r, y + r)
			pen.moveTo(x + r, y - r)
			pen.lineTo(x - r, y + r)
			pen.moveTo(x, top)
			pen.lineTo(x, floor)
			pen.stroke()
		}
	}

	// level is the line of what is read ahead: full stands at the top, empty at the
	// bottom; of the beats in a column the lowest.
	level(pen, columns, left, n, top, floor, colour, scale) {
		const most = this.ahead.reduce((a, b) => Math.max(a, b), 1)
		const trace = () => {
			pen.beginPath()
			for (let c = 0; c < columns; c++) {
				let low = most
				for (let b = Math.ceil(c * n / columns); b < (c + 1) * n / columns; b++) low = Math.min(low, this.ahead[b])
				const y = floor - (floor - top) * low / most
				pen.lineTo(left(c), y)
				pen.lineTo(left(c + 1), y)
			}
			pen.stroke()
		}
		pen.lineJoin = "round"
		for (const [name, width] of [["--sheet", 4], ["--ink", 1.5]]) { // an edge keeps it apart from the bars
			pen.strokeStyle = colour(name)
			pen.lineWidth = width * scale
			trace()
		}
	}
}
