// Reads the code on a label with the camera. What was read goes where a typed code goes: to this
// site's own address, never to what the code says.
(() => {
  const box = document.getElementById("scanner");
  if (!box || !navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) return;
  const video = box.querySelector("video");
  const button = box.querySelector("button");
  const said = box.querySelector("[role=status]");
  let stream = null;
  box.hidden = false;

  const load = (address) =>
    new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = address;
      script.onload = done;
      script.onerror = failed;
      document.head.append(script);
    });

  const newDetector = async () => {
    const formats = ["qr_code"];
    if (window.BarcodeDetector && !box.dataset.vendored) {
      const known = await window.BarcodeDetector.getSupportedFormats();
      if (known.includes("qr_code")) return new window.BarcodeDetector({ formats });
    }
    await load(box.dataset.reader);
    const library = window.BarcodeDetectionAPI;
    library.prepareZXingModule({ overrides: { locateFile: () => box.dataset.wasm } });
    return new library.BarcodeDetector({ formats });
  };

  const stop = () => {
    if (stream) stream.getTracks().forEach((track) => track.stop());
    stream = null;
    video.hidden = true;
    button.textContent = "Scan with the camera";
  };

  const look = async (detector) => {
    while (stream) {
      if (video.readyState >= 2) {
        const found = await detector.detect(video);
        const text = found.map((one) => one.rawValue).find((one) => one);
        if (text && stream) {
          stop();
          said.textContent = "Read. Opening it.";
          window.location.assign(box.dataset.open + "?code=" + encodeURIComponent(text.slice(0, 500)));
          return;
        }
      }
      await new Promise((done) => setTimeout(done, 150));
    }
  };

  button.addEventListener("click", async () => {
    if (stream) {
      stop();
      said.textContent = "";
      return;
    }
    said.textContent = "Starting the camera.";
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      video.srcObject = stream;
      video.hidden = false;
      await video.play();
      button.textContent = "Stop the camera";
      said.textContent = "Hold the label into the picture.";
      await look(await newDetector());
    } catch (error) {
      stop();
      said.textContent = "The camera cannot be used here. Take a photo of the label, or type its code.";
    }
  });
  window.addEventListener("pagehide", stop);
})();
