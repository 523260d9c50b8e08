// The pictures around the beat that is shown: those that were read, the ones
// ahead, and no more than so many bytes of them.
import {records, text} from "./ask.js"

const most = 64 << 20 // bytes held
const ahead = 24 // beats read ahead

export class Feed {
	// got is called whenever a picture came, or could not come.
	constructor(path, facts, got) {
		this.path = path
		this.facts = facts
		this.got = got
		this.held = new Map() // beat -> {image} or {trouble}; the one used last at the end
		this.bytes = 4 * facts.width * facts.height
		this.stop = new AbortController()
		this.asking = false
		this.want = 0
	}

	close() { this.stop.abort() }

	// at returns the picture of a beat, or nothing yet, and reads on from there.
	at(beat) {
		this.want = beat
		const entry = this.held.get(beat)
		if (entry) {
			this.held.delete(beat)
			this.held.set(beat, entry)
		}
		this.read()
		return entry
	}

	// missing is the first beat from the wanted one on that is not held.
	missing() {
		const room = Math.max(2, Math.min(ahead, Math.floor(most / this.bytes / 2)))
		const end = Math.min(this.facts.beats, this.want + room)
		for (let b = this.want; b < end; b++) if (!this.held.has(b)) return b
		return -1
	}

	async read() {
		if (this.asking) return
		this.asking = true
		try {
			for (let from; (from = this.missing()) >= 0;) {
				// The wanted one at once, the ones ahead in larger helpings.
				const list = await records(this.path + "/pixels", from, from === this.want ? 2 : 16, this.stop.signal)
				let image = null
				list.forEach(({kind, body}, i) => {
					if (kind === "p") image = new ImageData(body, this.facts.width, this.facts.height)
					this.keep(from + i, kind === "d" ? {trouble: text(body)} : {image})
				})
				this.got()
			}
		} catch (e) {
			if (e.name !== "AbortError") this.keep(this.want, {trouble: e.message})
			if (e.name !== "AbortError") this.got()
		}
		this.asking = false
	}

	keep(beat, entry) {
		this.held.set(beat, entry)
		for (const old of this.held.keys()) {
			if (this.held.size * this.bytes <= most || this.held.size <= 4) break
			if (old !== this.want) this.held.delete(old)
		}
	}
}
