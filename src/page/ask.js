// The one way from the page to the engine: a request goes out, an answer or a refusal in words comes back.

export class Refused extends Error {
  constructor(refusal) {
    super(refusal.seen);
    this.seen = refusal.seen;
    this.advice = refusal.advice || "";
  }
}

async function read(response) {
  let told;
  try {
    told = await response.json();
  } catch {
    throw new Refused({ seen: "the program gave no answer that can be read", advice: "look whether it still runs" });
  }
  if (told.refused) throw new Refused(told.refused);
  return told;
}

async function reach(address, how) {
  try {
    return await fetch(address, how);
  } catch {
    throw new Refused({
      seen: "the program cannot be reached",
      advice: "start clothline open again; everything done so far is saved",
    });
  }
}

// Changes go one after another, in the order they were made.
let queue = Promise.resolve();

export function ask(request) {
  const go = async () =>
    read(await reach("/ask", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(request),
    }));
  const next = queue.then(go, go);
  queue = next.catch(() => {});
  return next;
}

// A photo goes in as it is, told of as it goes.
export function send(file, name, onShare) {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("PUT", "/photo?name=" + encodeURIComponent(name));
    request.upload.onprogress = (e) => e.lengthComputable && onShare(e.loaded / e.total);
    request.onerror = () =>
      failed(new Refused({ seen: `${name} could not be sent`, advice: "it may be larger than 200 MB, or the program was ended" }));
    request.onload = () => {
      try {
        const told = JSON.parse(request.responseText);
        told.refused ? failed(new Refused(told.refused)) : done(told.photo);
      } catch {
        request.onerror();
      }
    };
    request.send(file);
  });
}
