// The wiring table and the three figures that may be changed. Each change asks
// the server, which judges with package budget; nothing is worked out here.
import {json} from "./ask.js"
import {count, percent, trimmed} from "./words.js"

const $ = id => document.getElementById(id)

// verdictText is the verdict in a line. A margin is 1 − need/service.
function verdictText({verdict, margin, tightest}) {
	if (margin === null) return `${verdict}: no ${tightest}, however fast, would do`
	if (margin < 0) return `${verdict}: needs ${trimmed(1 - margin, 2)} times what the ${tightest} gives`
	return `${verdict}, with a margin of ${percent(margin)}`
}

export class Wiring {
	// judged is called with each new verdict, or null where there is none.
	constructor(judged) {
		this.judged = judged
		this.player = null
		this.path = null
		this.rows = []
		this.chosen = null // {wiring, shared_bus, clock_hz, every, what}
		this.round = 0
		for (const id of ["clock", "buffer", "stall"]) $(id).onchange = () => this.change(id)
		$("reset").onclick = () => {
			this.start()
			this.ask(true)
		}
	}

	clear() {
		this.path = null
		this.round++
		this.rows = []
		$("rows").replaceChildren()
		$("verdict").className = "verdict"
		$("verdict").textContent = "…"
		$("reason").textContent = ""
		$("misfit").hidden = true
		this.judged(null)
	}

	async load(path, signal) {
		this.path = path
		this.signal = signal
		if (!this.chosen) this.start()
		this.chosen = {...this.chosen, every: 1, what: ""} // not every clip can do without pictures
		await this.ask(true)
	}

	focus() { ($("rows").querySelector(":checked") ?? $("rows").querySelector("input"))?.focus() }

	// start is the player as its file has it.
	start() {
		const p = this.player
		this.chosen = {wiring: p.wiring, shared_bus: p.shared_bus, clock_hz: Math.round(p.clock_hz), every: 1, what: ""}
		$("clock").value = trimmed(p.clock_hz / 1e6, 4)
		$("buffer").value = trimmed(p.buffer_bytes / 1024, 2)
		$("stall").value = trimmed(1000 * p.stall_s, 3)
	}

	change(id) {
		if (!$(id).checkValidity() || $(id).value === "") {
			$(id).reportValidity()
			return
		}
		if (id === "clock") this.chosen = {...this.chosen, clock_hz: Math.round(1e6 * $("clock").valueAsNumber), what: ""}
		this.ask(id !== "clock")
	}

	query() {
		const {chosen: c} = this
		const q = new URLSearchParams({buffer: Math.round(1024 * $("buffer").valueAsNumber), stall: $("stall").valueAsNumber / 1000})
		const row = new URLSearchParams(q)
		row.set("wiring", c.wiring)
		row.set("clock", c.clock_hz)
		if (c.shared_bus) row.set("shared", 1)
		if (c.every > 1) row.set("every", c.every)
		return {all: q, row}
	}

	// ask judges the chosen wiring, and the whole table where that changes.
	async ask(table) {
		if (!this.path) return
		const round = ++this.round, {all, row} = this.query()
		$("verdict").setAttribute("aria-busy", "true")
		try {
			const verdict = await json(`${this.path}/verdict?${row}`, this.signal)
			if (round !== this.round) return
			this.show(verdict)
			this.judged(verdict)
			if (table) {
				const rows = await json(`${this.path}/wirings?${all}`, this.signal)
				if (round !== this.round) return
				this.rows = rows
			}
			this.list()
		} catch (e) {
			if (e.name === "AbortError" || round !== this.round) return
			$("verdict").className = "verdict"
			$("verdict").textContent = "No verdict"
			$("reason").textContent = e.message
			this.judged(null)
		} finally {
			if (round === this.round) $("verdict").removeAttribute("aria-busy")
		}
	}

	show(v) {
		const c = this.chosen
		$("verdict").className = `verdict ${v.verdict}`
		$("verdict").textContent = verdictText(v)
		const bus = c.shared_bus ? " on the panel's bus" : ""
		const parts = [`${this.player.name}, card in ${c.wiring}${bus} at ${trimmed(c.clock_hz / 1e6, 2)} MHz${c.every > 1 ? ", every second picture left out" : ""}. Tightest is the ${v.tightest}.`]
		if (v.verdict === "stutters") {
			const what = [v.late.length ? count(v.late.length, "picture comes late", "pictures come late") : "", v.gaps.length ? count(v.gaps.length, "gap is in the sound", "gaps are in the sound") : ""].filter(Boolean)
			parts.push(what.length ? `Played step by step, ${what.join(" and ")}.` : "Played step by step nothing came late; a pause at a worse moment can change that.")
		}
		if (v.strips) parts.push("Memory is too small for whole beats: pictures are drawn in strips.")
		if (v.unjudged.length) parts.push(`Not judged, as the player file does not say it: ${v.unjudged.join(", ")}.`)
		parts.push(`From the press of a button to the picture: ${v.start_s.toFixed(2)} s.`)
		$("reason").textContent = parts.join(" ")
		$("misfit").hidden = v.misfits.length === 0
		$("misfit").textContent = `This clip was made for another player: ${v.misfits.map(m => m.what).join("; ")}.`
	}

	list() {
		const same = r => r.every === this.chosen.every && r.what === this.chosen.what && r.wiring === this.chosen.wiring && r.shared_bus === this.chosen.shared_bus && Math.abs(r.clock_hz - this.chosen.clock_hz) <= 1
		const focused = document.activeElement?.name === "row" ? document.activeElement.value : null
		$("rows").replaceChildren(...this.rows.map((r, i) => {
			const row = document.createElement("tr"), label = document.createElement("label"), radio = document.createElement("input")
			radio.type = "radio"
			radio.name = "row"
			radio.value = i
			radio.checked = same(r)
			row.classList.toggle("chosen", radio.checked)
			radio.onchange = () => {
				this.chosen = {wiring: r.wiring, shared_bus: r.shared_bus, clock_hz: r.clock_hz, every: r.every, what: r.what}
				$("clock").value = trimmed(r.clock_hz / 1e6, 4)
				this.ask(false)
			}
			const name = document.createElement("span")
			name.append(r.what ? r.what : `${r.wiring}${r.shared_bus ? ", panel's bus" : ""}`)
			label.append(radio, name)
			if (r.what) row.classList.add("fallback")
			if (r.as_wired) name.append(Object.assign(document.createElement("small"), {textContent: "as wired"}))
			const verdict = document.createElement("span")
			verdict.className = r.verdict
			verdict.textContent = r.verdict
			const cell = (content, kind) => {
				const td = document.createElement("td")
				td.append(content)
				if (kind) td.className = kind
				return td
			}
			row.append(cell(label), cell(trimmed(r.clock_hz / 1e6, 2), "n"), cell(verdict), cell(percent(r.margin), "n"), cell(r.pins, "n"), cell((r.usable_bytes_per_s / 1e6).toFixed(2), "n"))
			return row
		}))
		if (focused !== null) $("rows").querySelector(`[value="${focused}"]`)?.focus()
	}
}
