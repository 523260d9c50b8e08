// The clip beside what it was made of: the source's own picture, the difference, and
// another dither and tone tried on the picture that is shown.
import {json, records, text} from "./ask.js"
import {Feed} from "./feed.js"
import {time, trimmed} from "./words.js"

const $ = id => document.getElementById(id)
const tones = ["brightness", "contrast", "gamma", "saturation"]
const stronger = 4 // that the difference is shown

export class Before {
	// seek goes to a beat, changed is called where the desk needs another look.
	constructor(about, seek, changed) {
		this.about = about
		this.seek = seek
		this.changed = changed
		this.pen = $("other").getContext("2d", {colorSpace: "srgb", willReadFrequently: true})
		this.psnr = []
		this.ssim = []
		$("before").hidden = $("beside-label").hidden = false
		$("source-name").textContent = about.name
		$("dither").replaceChildren(...about.dithers.map(d => new Option(d === about.dither ? `${d} (usual here)` : d, d)))
		this.usual()
		$("beside").onchange = () => this.place()
		$("worst").onclick = () => this.toWorst()
		$("usual").onclick = () => { this.usual(); this.try() }
		$("copy").onclick = async () => {
			await navigator.clipboard.writeText($("flags").textContent)
			$("copy").textContent = "Copied"
			setTimeout(() => { $("copy").textContent = "Copy" }, 2000)
		}
		for (const id of ["dither", ...tones]) $(id).oninput = () => {
			$("beside").value = "tried"
			this.place()
			this.try()
		}
		$("likeness").onpointerdown = e => {
			const {left, width} = $("likeness").getBoundingClientRect()
			this.seek(Math.floor((e.clientX - left) / width * this.facts.beats))
		}
		new ResizeObserver(() => this.draw()).observe($("likeness"))
		matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw())
	}

	usual() {
		$("dither").value = this.about.dither
		for (const id of tones) $(id).value = this.about[id]
		this.say()
	}

	say() { for (const id of tones) $(`${id}-is`).textContent = trimmed($(id).valueAsNumber, 2) }

	// load begins to look at the clip's source.
	load(path, facts, signal) {
		this.path = `${path}/before`
		this.facts = facts
		this.signal = signal
		$("other").width = facts.width
		$("other").height = facts.height
		this.feed?.close()
		this.feed = new Feed(this.path, facts, () => this.show(this.beat, this.image))
		this.score()
	}

	// score asks how near the beats come, until all are known.
	async score() {
		try {
			for (let done = false; !done;) {
				const known = await json(`${this.path}/scores?from=${this.ssim.length}`, this.signal)
				for (const v of known.psnr_db) this.psnr.push(v)
				for (const v of known.ssim) this.ssim.push(v)
				done = known.done
				this.sum(known)
				this.draw()
				if (this.changed) this.changed()
				if (!done) await new Promise(wait => setTimeout(wait, 300))
			}
		} catch (e) {
			if (e.name !== "AbortError") $("score").textContent = e.message
		}
	}

	// sum says what is known of all beats. The mean of decibels would let one perfect
	// beat outweigh many: errors are averaged.
	sum({done, error}) {
		const n = this.ssim.length
		if (n > 0) {
			const mean = list => list.reduce((a, b) => a + b, 0) / n
			const worst = this.least()
			const psnr = -10 * Math.log10(mean(this.psnr.map(v => 10 ** (-v / 10))))
			$("score").textContent = `PSNR ${psnr.toFixed(1)} dB, SSIM ${mean(this.ssim).toFixed(3)}; least like at ${time(worst * this.facts.rate_den / this.facts.rate_num)}, SSIM ${this.ssim[worst].toFixed(3)}` +
				(error ? `. ${error}` : done && n < this.facts.beats ? `. The source has pictures for ${n} of ${this.facts.beats} beats.` : done ? "" : ` (${n} of ${this.facts.beats} beats compared)`)
		} else if (done) $("score").textContent = error ?? "The source has no picture where the clip has one."
		$("worst").disabled = n === 0
	}

	// least is the beat that is least like its source.
	least() {
		let at = 0
		for (let b = 1; b < this.ssim.length; b++) if (this.ssim[b] < this.ssim[at]) at = b
		return at
	}

	toWorst() { if (this.ssim.length) this.seek(this.least()) }

	// next puts the next thing beside the picture.
	next() {
		$("beside").selectedIndex = ($("beside").selectedIndex + 1) % $("beside").length
		this.place()
	}

	place() {
		const what = $("beside").value
		$("other-side").hidden = what === "packed"
		$("packed-name").hidden = what === "packed"
		$("other-name").textContent = {source: "the source", difference: `the difference, ${stronger} times; grey where there is none`, tried: "tried"}[what] ?? ""
		this.drawn = null
		this.changed(true)
		if (this.beat !== undefined) this.show(this.beat, this.image)
	}

	// tell is what is known of a beat.
	tell(beat) {
		return beat < this.ssim.length ? `PSNR ${this.psnr[beat].toFixed(1)} dB, SSIM ${this.ssim[beat].toFixed(3)}` : ""
	}

	// show follows the beat in view; image is what the panel shows of it.
	show(beat, image) {
		const moved = beat !== this.beat
		this.beat = beat
		this.image = image
		const what = $("beside").value
		if (what === "tried" && (moved || this.drawn === null)) this.try()
		if (what !== "source" && what !== "difference" || beat === undefined) return
		const entry = this.feed.at(beat)
		if (!entry) return
		$("other-trouble").hidden = !entry.trouble
		$("other-trouble").textContent = entry.trouble ? `No picture of the source: ${entry.trouble}` : ""
		if (!entry.image || what === "difference" && !image) {
			this.clear()
			return
		}
		const key = `${what} ${beat}`
		if (this.drawn === key && this.from === image) return
		this.drawn = key
		this.from = image
		this.pen.putImageData(what === "source" ? entry.image : difference(image, entry.image), 0, 0)
		$("other").dataset.beat = beat
	}

	clear() {
		this.pen.clearRect(0, 0, this.facts.width, this.facts.height)
		delete $("other").dataset.beat
	}

	// try asks for the picture in view with the dither and the tone that are set. One
	// answer is waited for at a time.
	async try() {
		this.say()
		this.again = true
		if (this.trying || this.beat === undefined) return
		this.trying = true
		while (this.again) {
			this.again = false
			this.drawn = "tried"
			const beat = this.beat, q = new URLSearchParams({dither: $("dither").value})
			for (const id of tones) q.set(id, $(id).value)
			try {
				const list = await records(`${this.path}/tried`, beat, 1, this.signal, `&${q}`)
				const told = JSON.parse(text(list[1].body))
				if ($("beside").value === "tried") {
					this.pen.putImageData(new ImageData(list[0].body.slice(), this.facts.width, this.facts.height), 0, 0)
					$("other").dataset.beat = beat
				}
				$("flags").textContent = told.flags
				$("copy").disabled = !told.flags
				$("no-flags").hidden = Boolean(told.flags)
				$("tried-score").textContent = `PSNR ${told.psnr_db.toFixed(1)} dB, SSIM ${told.ssim.toFixed(3)}` + (beat < this.ssim.length ? `; as packed ${this.tell(beat)}` : "")
				$("other-trouble").hidden = true
			} catch (e) {
				if (e.name === "AbortError") break
				$("other-trouble").hidden = false
				$("other-trouble").textContent = `Cannot be tried: ${e.message}`
			}
			if (beat !== this.beat) this.again = true
		}
		this.trying = false
	}

	// draw is the line of SSIM over the beats, of those in a column the least, between
	// the twentieths below the least and above the most of all.
	draw() {
		const canvas = $("likeness"), n = this.facts?.beats ?? 0, known = this.ssim.length
		if (!known) return
		const scale = devicePixelRatio, width = Math.max(1, Math.round(canvas.clientWidth * scale)), height = Math.max(1, Math.round(canvas.clientHeight * scale))
		canvas.width = width
		canvas.height = height
		const pen = canvas.getContext("2d"), colour = name => getComputedStyle(canvas).getPropertyValue(name).trim()
		const floor = Math.min(0.95, Math.floor(20 * this.ssim[this.least()]) / 20), columns = Math.min(n, width)
		const top = Math.ceil(20 * this.ssim.reduce((a, b) => Math.max(a, b))) / 20
		$("likeness-scale").textContent = `SSIM of each beat, from ${trimmed(floor, 2)} to ${trimmed(top, 2)}`
		pen.strokeStyle = colour("--accent")
		pen.lineWidth = 1.5 * scale
		pen.beginPath()
		for (let c = 0; c < columns; c++) {
			let low = 2
			for (let b = Math.ceil(c * n / columns); b < Math.min(known, (c + 1) * n / columns); b++) low = Math.min(low, this.ssim[b])
			if (low > 1) continue
			const y = (height - 2 * scale) * (top - low) / (top - floor) + scale
			pen.lineTo(c * width / columns, y)
			pen.lineTo((c + 1) * width / columns, y)
		}
		pen.stroke()
	}
}

// difference is by how much a picture is lighter or darker than another, in each colour.
function difference(a, b) {
	const out = new ImageData(a.width, a.height)
	for (let i = 0; i < out.data.length; i++) out.data[i] = i % 4 === 3 ? 255 : 128 + stronger * (a.data[i] - b.data[i])
	return out
}
