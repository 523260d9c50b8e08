// The samples of the DAC, played as they are: 8 bits sound like 8 bits. Each
// sample is held for its time, as a DAC holds it; what the computer makes of it
// on its way to the loudspeaker is the browser's affair.
import {records} from "./ask.js"

const helping = 16 // beats asked for at a time
const ahead = 1.5 // seconds that are scheduled ahead
const hair = 1e-6 // of a sample: a start that rounds to just behind one would lose it
const lowest = 8000 // Hz that every browser takes (Web Audio API, 1.4)

export class Sound {
	constructor() {
		this.context = null
		this.volume = 0.4
		this.round = 0 // a new one with each start: what belongs to an old one is dropped
		this.sources = new Set()
	}

	// open needs a key or a button that was pressed. The context runs at the clip's
	// rate (as near as it keeps numbers), so that beats join without a seam and only
	// the way out is resampled.
	async open(facts) {
		const rate = facts.sample_rate_num / facts.sample_rate_den, sampleRate = rate * Math.ceil(lowest / rate)
		if (this.context && Math.abs(this.context.sampleRate - sampleRate) > 0.01) {
			this.context.close()
			this.context = null
		}
		if (!this.context) {
			this.context = new AudioContext({sampleRate})
			this.gain = new GainNode(this.context, {gain: this.volume})
			this.gain.connect(this.context.destination)
		}
		if (this.context.state !== "running") await this.context.resume()
	}

	loudness(volume) {
		this.volume = volume
		if (this.gain) this.gain.gain.value = volume
	}

	// whole moves a time to the next whole sample: between two a browser would blend.
	whole(time) { return Math.ceil(time * this.context.sampleRate) / this.context.sampleRate }

	// start plays from a beat on; zero is the time of the context at which beat 0
	// would play. gaps maps beats to the seconds by which their sound is late.
	async start(path, facts, from, zero, gaps) {
		const round = ++this.round
		const length = facts.rate_den / facts.rate_num
		const rate = facts.sample_rate_num / facts.sample_rate_den
		const hold = Math.ceil(lowest / rate)
		for (let beat = from; beat < facts.beats && round === this.round;) {
			const early = zero + beat * length - this.context.currentTime - ahead
			if (early > 0) {
				await new Promise(done => setTimeout(done, Math.min(1000, 1000 * early)))
				continue
			}
			let list
			try { list = await records(path + "/sound", beat, helping) } catch { return }
			if (round !== this.round) return
			for (const {kind, body} of list) {
				if (kind === "p" && body.length > 0) this.schedule(body, facts, rate, hold, zero + (this.first(facts, beat) * hold - hair) / this.context.sampleRate, gaps?.get(beat) ?? 0)
				beat++
			}
			if (list.length === 0) return
		}
	}

	// first is the number of the first sample of a beat, counted from the file's
	// first: FORMAT.md's ⌊i·P/Q⌋.
	first(facts, beat) {
		const p = BigInt(facts.sample_rate_num) * BigInt(facts.rate_den), q = BigInt(facts.sample_rate_den) * BigInt(facts.rate_num)
		const number = i => BigInt(i) * p / q
		return Number(number(facts.first_beat + beat) - number(facts.first_beat))
	}

	schedule(body, facts, rate, hold, when, gap) {
		const {channels} = facts
		const values = facts.sample_bits === 8 ? body : new Int16Array(body.slice().buffer)
		const samples = values.length / channels
		const buffer = new AudioBuffer({numberOfChannels: channels, length: samples * hold, sampleRate: this.context.sampleRate})
		for (let c = 0; c < channels; c++) {
			const out = buffer.getChannelData(c)
			const silent = Math.min(samples, Math.round(gap * rate))
			for (let i = silent; i < samples; i++) {
				const v = values[i * channels + c]
				out.fill(facts.sample_bits === 8 ? (v - 128) / 128 : v / 32768, i * hold, (i + 1) * hold)
			}
		}
		const late = this.context.currentTime - when
		if (late >= buffer.duration) return
		const source = new AudioBufferSourceNode(this.context, {buffer})
		source.connect(this.gain)
		source.onended = () => this.sources.delete(source)
		this.sources.add(source)
		source.start(Math.max(when, 0), Math.max(0, late))
	}

	stop() {
		this.round++
		for (const s of this.sources) s.stop()
		this.sources.clear()
	}
}
