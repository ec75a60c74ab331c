'use strict';

// compare has the official runtime look at the frames 0 … count−1 and gives the
// landmarks of each, [x, y] in parts of the picture, and the milliseconds it
// took: first on its own (found anew), then following through all of them.
// complexity is 1 (full) or 2 (heavy).
async function compare(count, complexity) {
	const pose = new Pose({ locateFile: (name) => '/runtime/' + name });
	pose.setOptions({ modelComplexity: complexity, smoothLandmarks: false, enableSegmentation: false, useCpuInference: true });
	let found = null;
	pose.onResults((r) => { found = r.poseLandmarks ? r.poseLandmarks.map((p) => [p.x, p.y]) : []; });
	await pose.initialize();
	const pictures = [];
	for (let i = 0; i < count; i++) {
		const image = new Image();
		image.src = '/frame/' + i + '.png';
		await image.decode();
		pictures.push(image);
	}
	const look = async (picture) => {
		found = null;
		const begun = performance.now();
		await pose.send({ image: picture });
		return { ms: performance.now() - begun, points: found };
	};
	await look(pictures[0]); // what is made once isn't counted
	const alone = [];
	for (const p of pictures) {
		pose.reset();
		alone.push(await look(p));
	}
	pose.reset();
	await look(pictures[0]);
	const following = [];
	for (const p of pictures) following.push(await look(p));
	await pose.close();
	return JSON.stringify({ alone, following, renderer: renderer() });
}

// renderer is what stands behind WebGL here.
function renderer() {
	const gl = document.createElement('canvas').getContext('webgl2');
	if (!gl) return 'no WebGL';
	const more = gl.getExtension('WEBGL_debug_renderer_info');
	return gl.getParameter(more ? more.UNMASKED_RENDERER_WEBGL : gl.RENDERER);
}
