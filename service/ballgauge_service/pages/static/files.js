// The files that this browser keeps, by the page's own store and a name.

const STORES = ["meshes", "lots"];

const done = (asked) =>
  new Promise((resolve, reject) => {
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });

/** Do a work with one of the stores; throws where this browser keeps nothing. */
export async function files(store, mode, work) {
  const opening = indexedDB.open("ballgauge", 2);
  opening.onupgradeneeded = () => {
    const made = opening.result;
    for (const name of STORES) if (!made.objectStoreNames.contains(name)) made.createObjectStore(name);
  };
  const database = await done(opening);
  try {
    return await done(work(database.transaction(store, mode).objectStore(store)));
  } finally {
    database.close();
  }
}
