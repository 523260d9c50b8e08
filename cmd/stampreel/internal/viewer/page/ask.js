// What the server is asked. Nothing here decodes a picture: pixels and samples
// come as they are to be shown and heard.

// json asks for facts; an error has the server's words.
export async function json(path, signal) {
	const answer = await fetch(path, {signal})
	const body = await answer.json()
	if (!answer.ok) throw new Error(body.error ?? answer.statusText)
	return body
}

// records asks for some beats: [{kind, body}], kind "p" for what was asked for,
// "s" where the picture before stays, "d" where the beat is damaged, "f" for facts.
export async function records(path, from, count, signal, more = "") {
	const answer = await fetch(`${path}?from=${from}&count=${count}${more}`, {signal})
	if (!answer.ok) throw new Error((await answer.json()).error)
	const bytes = await answer.arrayBuffer(), view = new DataView(bytes)
	const list = []
	for (let at = 0; at < bytes.byteLength;) {
		const size = view.getUint32(at + 1, true)
		list.push({kind: String.fromCharCode(view.getUint8(at)), body: new Uint8ClampedArray(bytes, at + 5, size)})
		at += 5 + size
	}
	return list
}

export const text = bytes => new TextDecoder().decode(bytes)
