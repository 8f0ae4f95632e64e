// Renders patches of parts that are given as signed distance functions, by sphere tracing
// (Hart 1996, "Sphere tracing"). One file for both: nvcc makes a GPU library of it, a C++
// compiler one for the processor. What the floats of each table mean stands in tables.py.

#ifdef __CUDACC__
#define FN __device__ __forceinline__
#else
#include <cmath>
#include <cstddef>
#define FN static inline
#endif

enum { NONE, CYLINDER, CONE, TORUS, BOX, CAPSULE, ELLIPSOID, LOOP, TUBE, HEX, HOOK };
enum { TYPE, OP, MATERIAL, PX, PY, PZ, ROT, A = ROT + 9, B, C, D, ROUND, WAVES, WAVE, BOUND,
       ARC_AT, ARC_OUT, ARC_WIDE, PRIM_SIZE };
enum { RED, GREEN, BLUE, ROUGH, METAL, GLOSS, SPECKLE, GRAIN, BRUSH, BRUSH_AT, MAT_SIZE };
enum { PRIMS = 40, MATS = 12, LOBES = 6, LAMPS = 3, LOBE_SIZE = 8, LAMP_SIZE = 7, SKY = 9 };
enum { VIEW_SIZE = 21 };  // 9 of plane_from_patch, 3 each of origin, x, y of the plane, and of the eye
enum { LIGHT_SIZE = SKY + LOBES * LOBE_SIZE + LAMPS * LAMP_SIZE };

struct V { float x, y, z; };
FN V v(float x, float y, float z) { V o = {x, y, z}; return o; }
FN V operator+(V a, V b) { return v(a.x + b.x, a.y + b.y, a.z + b.z); }
FN V operator-(V a, V b) { return v(a.x - b.x, a.y - b.y, a.z - b.z); }
FN V operator*(V a, float s) { return v(a.x * s, a.y * s, a.z * s); }
FN V operator*(V a, V b) { return v(a.x * b.x, a.y * b.y, a.z * b.z); }
FN float dot(V a, V b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
FN V cross(V a, V b) { return v(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x); }
FN float len(V a) { return sqrtf(dot(a, a)); }
FN V unit(V a) { return a * (1.0f / (len(a) + 1e-12f)); }
FN float hypot2(float a, float b) { return sqrtf(a * a + b * b); }
FN float clamp(float a, float lo, float hi) { return fminf(fmaxf(a, lo), hi); }
FN V three(const float* p) { return v(p[0], p[1], p[2]); }

// --- Distances; p is in the primitive's own frame, its axis is z -----------------------------

FN float box2(float x, float y) { return fminf(fmaxf(x, y), 0.0f) + hypot2(fmaxf(x, 0.0f), fmaxf(y, 0.0f)); }

FN float cone(V p, float h, float r1, float r2) {
  float q = hypot2(p.x, p.y), y = p.z;
  float k2x = r2 - r1, k2y = 2 * h;
  float cax = q - fminf(q, y < 0 ? r1 : r2), cay = fabsf(y) - h;
  float t = clamp(((r2 - q) * k2x + (h - y) * k2y) / (k2x * k2x + k2y * k2y), 0.0f, 1.0f);
  float cbx = q - r2 + k2x * t, cby = y - h + k2y * t;
  float s = (cbx < 0 && cay < 0) ? -1.0f : 1.0f;
  return s * sqrtf(fminf(cax * cax + cay * cay, cbx * cbx + cby * cby));
}

FN float hexagon(V p, float r, float h) {
  const float kx = -0.8660254f, ky = 0.5f, kz = 0.5773503f;
  float x = fabsf(p.x), y = fabsf(p.y), z = fabsf(p.z);
  float m = 2 * fminf(kx * x + ky * y, 0.0f);
  x -= m * kx; y -= m * ky;
  float cx = clamp(x, -kz * r, kz * r);
  float d = hypot2(x - cx, y - r) * (y - r < 0 ? -1.0f : 1.0f);
  return box2(d, z - h);
}

// A loop along a rounded rectangle of half sides A, B and corner C; round wire of radius D. An
// arc of it, ARC_WIDE radians wide round ARC_AT, is lifted by ARC_OUT and pushed aside by half.
FN float loop(V p, const float* f) {
  float qx = fabsf(p.x) - (f[A] - f[C]), qy = fabsf(p.y) - (f[B] - f[C]);
  float s = hypot2(fmaxf(qx, 0.0f), fmaxf(qy, 0.0f)) + fminf(fmaxf(qx, qy), 0.0f) - f[C];
  float z = p.z;
  if (f[ARC_OUT] != 0) {
    float a = atan2f(p.y, p.x) - f[ARC_AT];
    a -= 6.2831853f * floorf(a / 6.2831853f + 0.5f);
    float lift = f[ARC_OUT] * expf(-(a * a) / (f[ARC_WIDE] * f[ARC_WIDE]));
    z -= lift; s -= f[WAVE] * lift;
  }
  return (f[ROUND] > 0 ? box2(fabsf(s) - f[D] + f[ROUND], fabsf(z) - f[D] + f[ROUND]) - f[ROUND]
                       : hypot2(s, z) - f[D]);
}

FN float hook(V p, float ra, float rb, float s, float c) {  // an arc of a torus, open at -y
  float x = fabsf(p.x);
  float k = (c * x > s * p.y) ? x * s + p.y * c : hypot2(x, p.y);
  return sqrtf(fmaxf(x * x + p.y * p.y + p.z * p.z + ra * ra - 2 * ra * k, 0.0f)) - rb;
}

FN float primitive(const float* f, V q) {
  const float* r = f + ROT;
  V p = v(r[0] * q.x + r[1] * q.y + r[2] * q.z, r[3] * q.x + r[4] * q.y + r[5] * q.z,
          r[6] * q.x + r[7] * q.y + r[8] * q.z);
  float wave = 0;
  if (f[WAVE] != 0 && (int)f[TYPE] != LOOP) {
    float at = f[WAVES] > 0 ? atan2f(p.y, p.x) * f[WAVES] : p.z * -f[WAVES];
    wave = f[WAVE] * cosf(at);
  }
  switch ((int)f[TYPE]) {
    case CYLINDER: return box2(hypot2(p.x, p.y) - f[A] - wave, fabsf(p.z) - f[B]) - f[ROUND];
    case CONE: return cone(p, f[C], f[A], f[B]) - f[ROUND] - wave;
    case TORUS: return hypot2(hypot2(p.x, p.y) - f[A], p.z) - f[B];
    case BOX: {
      V a = v(fabsf(p.x) - f[A], fabsf(p.y) - f[B], fabsf(p.z) - f[C]);
      V o = v(fmaxf(a.x, 0.0f), fmaxf(a.y, 0.0f), fmaxf(a.z, 0.0f));
      return len(o) + fminf(fmaxf(a.x, fmaxf(a.y, a.z)), 0.0f) - f[ROUND];
    }
    case CAPSULE: { V o = v(p.x, p.y, p.z - clamp(p.z, -f[A], f[A])); return len(o) - f[B]; }
    case ELLIPSOID: {
      V a = v(p.x / f[A], p.y / f[B], p.z / f[C]);
      V b = v(a.x / f[A], a.y / f[B], a.z / f[C]);
      float k = len(a);
      return k * (k - 1) / (len(b) + 1e-9f);
    }
    case LOOP: return loop(p, f);
    case TUBE: return box2(fabsf(hypot2(p.x, p.y) - f[A]) - f[B], fabsf(p.z) - f[C]) - f[ROUND];
    case HEX: return hexagon(p, f[A], f[B]) - f[ROUND];
    case HOOK: return hook(p, f[A], f[B], f[C], f[D]);
  }
  return 1e9f;
}

struct Scene { const float* prims; int count; };

FN float field(const Scene& s, V p, int* which) {
  float d = 1e9f;
  int at = 0;
  for (int i = 0; i < s.count; i++) {
    const float* f = s.prims + i * PRIM_SIZE;
    V q = p - three(f + PX);
    float far = len(q) - f[BOUND];
    if (f[OP] > 0) {  // taken away
      if (far > 0.0f && -far < d) continue;
      float c = -primitive(f, q);
      if (c > d) { d = c; at = i; }
    } else {
      if (far > d) continue;
      float c = primitive(f, q);
      if (c < d) { d = c; at = i; }
    }
  }
  *which = at;
  return d;
}

FN float distance(const Scene& s, V p) { int at; return field(s, p, &at); }

FN V slope(const Scene& s, V p, float e) {
  float a = distance(s, p + v(e, -e, -e)), b = distance(s, p + v(-e, -e, e));
  float c = distance(s, p + v(-e, e, -e)), d = distance(s, p + v(e, e, e));
  return unit(v(a - b - c + d, -a - b + c + d, -a + b - c + d));
}

FN float march(const Scene& s, V from, V along, float near, float most, int steps, int* which) {
  float t = near;
  for (int i = 0; i < steps && t < most; i++) {
    float d = field(s, from + along * t, which);
    if (d < 0.0004f * (1 + t)) return t;
    t += d * 0.85f;
  }
  return t < most ? t : -1.0f;
}

// --- Light ------------------------------------------------------------------------------------

FN float hash(int x, int y, int z) {
  unsigned h = (unsigned)x * 374761393u + (unsigned)y * 668265263u + (unsigned)z * 2147483647u;
  h = (h ^ (h >> 13)) * 1274126177u;
  return (float)((h ^ (h >> 16)) & 0xffffffu) / 16777216.0f;
}

FN float noise(V p) {
  float fx = floorf(p.x), fy = floorf(p.y), fz = floorf(p.z);
  int x = (int)fx, y = (int)fy, z = (int)fz;
  float u = p.x - fx, w = p.y - fy, t = p.z - fz;
  u = u * u * (3 - 2 * u); w = w * w * (3 - 2 * w); t = t * t * (3 - 2 * t);
  float a = hash(x, y, z) * (1 - u) + hash(x + 1, y, z) * u;
  float b = hash(x, y + 1, z) * (1 - u) + hash(x + 1, y + 1, z) * u;
  float c = hash(x, y, z + 1) * (1 - u) + hash(x + 1, y, z + 1) * u;
  float d = hash(x, y + 1, z + 1) * (1 - u) + hash(x + 1, y + 1, z + 1) * u;
  return (a * (1 - w) + b * w) * (1 - t) + (c * (1 - w) + d * w) * t;
}

// What comes from outside the scene: a gradient from below over the horizon to above, and lobes.
FN V sky(const float* light, V d, float rough) {
  float up = 0.5f + 0.5f * d.z, side = 1 - fabsf(d.z);
  V o = three(light) * (1 - up) + three(light + 3) * up + three(light + 6) * (side * side);
  for (int i = 0; i < LOBES; i++) {
    const float* f = light + SKY + i * LOBE_SIZE;
    float sharp = 1 / (1 / f[3] + 2 * rough * rough);  // a rough mirror widens a lobe ...
    float most = sharp / f[3];                          // ... and dims it
    float edge = f[7] > 0 && rough < 0.3f ? f[7] : 0;   // a panel has an edge
    float g = expf(sharp * (dot(three(f), d) - 1));
    if (edge > 0) g = clamp((g - 0.5f) * edge + 0.5f, 0.0f, 1.0f);
    o = o + three(f + 4) * (g * most);
  }
  return v(fmaxf(o.x, 0.0f), fmaxf(o.y, 0.0f), fmaxf(o.z, 0.0f));
}

FN float shadow(const Scene& s, V from, V along, float most, float soft) {
  float seen = 1, t = 0.02f;
  int at;
  for (int i = 0; i < 20 && t < most; i++) {
    float d = field(s, from + along * t, &at);
    seen = fminf(seen, 0.5f + 0.5f * d / (soft * t));
    if (seen < 0.0f) break;
    t += clamp(d, 0.02f, 0.5f);
  }
  seen = fmaxf(seen, 0.0f);
  return seen * seen * (3 - 2 * seen);
}

FN float openness(const Scene& s, V p, V n) {
  float hidden = 0, weight = 1;
  for (int i = 1; i <= 5; i++) {
    float h = 0.01f + 0.055f * i * i * 0.4f;
    hidden += fmaxf(h - distance(s, p + n * h), 0.0f) * weight;
    weight *= 0.72f;
  }
  return clamp(1 - 1.1f * hidden, 0.05f, 1.0f);
}

struct Surface { V colour, normal; float rough, metal, gloss; };

FN Surface surface(const float* mats, int material, V p, V n) {
  const float* m = mats + material * MAT_SIZE;
  Surface o = {v(m[RED], m[GREEN], m[BLUE]), n, m[ROUGH], m[METAL], m[GLOSS]};
  if (m[SPECKLE] > 0) {
    float k = noise(p * m[GRAIN]) + 0.5f * noise(p * (2.3f * m[GRAIN])) - 0.75f;
    o.colour = o.colour * clamp(1 + 2 * m[SPECKLE] * k, 0.05f, 2.0f);
    o.rough = clamp(o.rough * (1 + 0.6f * m[SPECKLE] * k), 0.03f, 1.0f);
  }
  if (m[BRUSH] > 0) {
    float c = cosf(m[BRUSH_AT]), s = sinf(m[BRUSH_AT]);
    V q = v((p.x * c + p.y * s) * 3.0f, (p.y * c - p.x * s) * 60.0f, p.z * 60.0f);
    float k = noise(q) + noise(q * 2.1f) - 1.0f;
    o.normal = unit(n + v(-s, c, 0.3f) * (k * m[BRUSH]));
    o.colour = o.colour * (1 + 0.5f * m[BRUSH] * k);
  }
  return o;
}

// Diffuse and direct light of a surface; ``traced`` says whether shadows are followed.
FN V lit(const Scene& s, const float* light, const Surface& f, V p, V eye, bool traced) {
  float open = traced ? openness(s, p, f.normal) : 0.6f;
  V round = sky(light, f.normal, 0.9f) * 0.7f + sky(light, v(0, 0, 1), 0.9f) * 0.3f;
  V total = f.colour * round * (open * (1 - f.metal));
  for (int i = 0; i < LAMPS; i++) {
    const float* l = light + SKY + LOBES * LOBE_SIZE + i * LAMP_SIZE;
    if (l[3] + l[4] + l[5] <= 0) continue;
    V to = three(l) - p;
    float far = len(to);
    to = to * (1 / far);
    float cosine = dot(f.normal, to);
    if (cosine <= 0) continue;
    float seen = traced ? shadow(s, p + f.normal * 0.01f, to, far, l[6]) : 0.7f;
    if (seen <= 0) continue;
    V half = unit(to + eye);
    float a = fmaxf(f.rough * f.rough + 0.5f * l[6], 0.02f);
    float nh = fmaxf(dot(f.normal, half), 0.0f), k = nh * nh * (a * a - 1) + 1;
    float high = a * a / (3.1416f * k * k) * 0.25f;
    V shine = (f.colour * f.metal + v(1, 1, 1) * (0.05f * f.gloss)) * high;
    total = total + (f.colour * (1 - f.metal) * 0.3183f + shine) * three(l + 3) * (cosine * seen);
  }
  return total;
}

FN V seen(const Scene& s, const float* mats, const float* light, V from, V along, float near,
          float most, int* id, float* depth, V* facing) {
  int at = 0;
  float t = march(s, from, along, near, most, 96, &at);
  *depth = t;
  if (t < 0) { *id = -1; *facing = v(0, 0, 0); return sky(light, along, 0.5f); }
  V p = from + along * t;
  V n = slope(s, p, 0.002f);
  *facing = n;
  *id = at;
  if (mats == nullptr) return v(0, 0, 0);
  Surface f = surface(mats, (int)s.prims[at * PRIM_SIZE + MATERIAL], p, n);
  V back = along * -1.0f;
  V total = lit(s, light, f, p, back, true);
  float cosine = clamp(dot(f.normal, back), 0.0f, 1.0f);
  float grazing = powf(1 - cosine, 5) * (1 - 0.7f * f.rough);
  V mirror = f.colour * f.metal + v(1, 1, 1) * (0.05f * f.gloss);
  mirror = mirror + (v(1, 1, 1) - mirror) * (grazing * fmaxf(f.gloss, f.metal));
  V away = along - f.normal * (2 * dot(along, f.normal));
  if (dot(away, n) < 0.02f) away = unit(away + n * (0.04f - dot(away, n)));
  if (mirror.x + mirror.y + mirror.z < 0.3f) {  // hardly a mirror: what is near is not followed
    total = total + mirror * sky(light, away, f.rough);
  } else {
    int other = 0;
    float far = march(s, p + n * 0.012f, away, 0.01f, 6.0f, 40, &other);
    V coming = sky(light, away, f.rough);
    if (far > 0) {
      V hit = p + n * 0.012f + away * far;
      Surface g = surface(mats, (int)s.prims[other * PRIM_SIZE + MATERIAL], hit, slope(s, hit, 0.004f));
      V there = lit(s, light, g, hit, away * -1.0f, false);
      there = there + sky(light, g.normal, 0.7f) * g.colour * (0.8f * g.metal);
      float sharp = clamp(1.3f - 1.3f * f.rough - 0.1f * far, 0.15f, 1.0f);
      coming = there * sharp + coming * ((1 - sharp) * 0.5f) + there * ((1 - sharp) * 0.5f);
    }
    total = total + mirror * coming;
  }
  return total;
}

// --- One pixel ----------------------------------------------------------------------------------

FN void pixel(int patch, int x, int y, int width, int height, int samples, const float* prims,
              const int* counts, const float* mats, const float* lights, const float* views,
              float* out, float* plain) {
  Scene s = {prims + (size_t)patch * PRIMS * PRIM_SIZE, counts[patch]};
  const float* m = mats + (size_t)patch * MATS * MAT_SIZE;
  const float* light = lights + (size_t)patch * LIGHT_SIZE;
  const float* w = views + (size_t)patch * VIEW_SIZE;
  V o = three(w + 9), ex = three(w + 12), ey = three(w + 15), eye = three(w + 18);
  V sum = v(0, 0, 0), facing = v(0, 0, 0);
  int id = -1;
  float depth = -1;
  for (int k = 0; k < samples; k++) {  // along a diagonal
    float off = (k + 0.5f) / samples - 0.5f, px = x + off, py = y + off;
    float q = w[6] * px + w[7] * py + w[8];
    float a = (w[0] * px + w[1] * py + w[2]) / q, b = (w[3] * px + w[4] * py + w[5]) / q;
    V to = o + ex * a + ey * b - eye;
    float far = len(to);
    V along = to * (1 / far);
    V got = seen(s, plain ? nullptr : m, light, eye, along, fmaxf(far - 7.0f, 0.05f), far + 14.0f, &id,
                 &depth, &facing);
    sum = sum + v(fminf(got.x, 12.0f), fminf(got.y, 12.0f), fminf(got.z, 12.0f));
  }
  size_t at = ((size_t)patch * height + y) * width + x, plane = (size_t)width * height;
  if (plain) {
    float* f = plain + at * 5;
    f[0] = (float)id; f[1] = depth; f[2] = facing.x; f[3] = facing.y; f[4] = facing.z;
  } else {
    float* f = out + (size_t)patch * 4 * plane + (size_t)y * width + x;
    float k = 1.0f / samples;
    f[0] = sum.x * k; f[plane] = sum.y * k; f[2 * plane] = sum.z * k;
    f[3 * plane] = id < 0 ? -1.0f : s.prims[id * PRIM_SIZE + MATERIAL];
  }
}

#ifdef __CUDACC__
__global__ void kernel(int width, int height, int samples, const float* prims, const int* counts,
                       const float* mats, const float* lights, const float* views, float* out,
                       float* plain) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x < width && y < height)
    pixel(blockIdx.z, x, y, width, height, samples, prims, counts, mats, lights, views, out, plain);
}
extern "C" int render(int patches, int width, int height, int samples, const float* prims,
                      const int* counts, const float* mats, const float* lights,
                      const float* views, float* out, float* plain, void* stream) {
  dim3 threads(8, 8), blocks((width + 7) / 8, (height + 7) / 8, patches);
  kernel<<<blocks, threads, 0, (cudaStream_t)stream>>>(width, height, samples, prims, counts, mats,
                                                       lights, views, out, plain);
  return (int)cudaGetLastError();
}
#else
extern "C" int render(int patches, int width, int height, int samples, const float* prims,
                      const int* counts, const float* mats, const float* lights,
                      const float* views, float* out, float* plain, void*) {
#pragma omp parallel for schedule(dynamic, 4)
  for (int row = 0; row < patches * height; row++)
    for (int x = 0; x < width; x++)
      pixel(row / height, x, row % height, width, height, samples, prims, counts, mats, lights, views,
            out, plain);
  return 0;
}
#endif
